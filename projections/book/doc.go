// Package book keeps the quantity and the value of one item, by weighted average and by first in, first out at once.
//
// IAS 2 (Inventories, paragraph 25) allows both formulas; the last-in first-out formula is not allowed and not here.
// An account holds what is on hand, or, once more has left than came, a queue of shortfalls: quantities that left at a
// provisional cost, oldest first. It is never both. Quantities have 6 places, values 8; every division is rounded once, half to even,
// and what takes the last unit takes the rest of the value, so an account loses exactly what an issue gained.
//
// Events act through five operations: [Account.Receive], [Account.Issue], [Account.Gain], [Account.GiveBack] and [Account.Credit].
// They return amounts for the columns of the roll-forward; none of them fails, whatever the order of events.
package book
