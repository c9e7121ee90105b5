// Package chart draws the pictures of the desk's pages as SVG, in ink on paper.
//
// Every picture shows zero, names its lines where they are instead of in a legend, and says with a sign, a word or a hatch what it says with a colour,
// so that it can be read in grey print. Each has a title, a description for screen readers, and a table of the same figures behind it.
//
// A picture is drawn twice, for a desk and for a phone; the style sheet shows the one that fits. There is no style in the SVG, because the pages' content
// security policy allows none: shapes carry presentation attributes that are good for print, and classes that begin with k- for colour.
//
// Figures come in as the ledger's exact numbers. Floats are coordinates only: no number that a reader sees is made from one.
package chart
