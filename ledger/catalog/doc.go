// Package catalog says what items, specs and the shop mean at a moment.
//
// A [Catalog] is built from the setup events of a ledger ([Build]) and read through a [View], which stands at one place of the fold order and
// moves forward. The rules:
//
//   - Items exist without a date. The first definition of an item (the first in fold order with name, type and unit) and the
//     first revision of a spec hold from the beginning of time; a later one from its own time. Another item event changes the
//     fields that it names from its own time, also before the first definition's; a map is replaced whole.
//   - An event that restates R stands in R's place for R's whole span, whatever its own time. Of several the last in fold order
//     holds; chains resolve to their end. A spec's restatement is whole, an item's names only what changes. Reversing R takes its restatements
//     along.
//   - A pack or measure that the definition in force lacks is taken from the last one before that had it, else from
//     the first one after.
//   - What refers to what isn't there, names another type or unit, restates another kind or item, or closes a circle is void and
//     as if never recorded.
package catalog
