// Package speed holds the benchmarks of reading a large ledger from the desk's file: a shop of a million packed orders, each of twelve supply lines. There
// is no code here but tests. DEVELOPERS.md says which command measures what, and what was measured.
package speed
