// Package house holds the rules of this project's own code as tests: which way imports go, what may not be called where, what is documented, how long a
// file may be, what stands at the top level. Each failure says what to do instead. There is no code here, only tests.
package house
