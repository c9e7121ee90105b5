// Package shops is for tests only: invented shops that keep what is really on the shelf beside what was recorded, with one cause of a loss planted, two, or none,
// and how often the audit finds what was planted.
package shops
