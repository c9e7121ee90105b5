// Package storetest holds what tests of stores share: the suite that every store passes (Run), a maker of signed logs (Log) and a store that fails where
// it is told to (Faulty).
package storetest
