// Package recorder serves the recorder, the page that a phone opens at the desk's door. Its files are built from cmd/recorder by
//
//	go generate ./...
//
// into the folder built, which is embedded. A folder of a build holds
//
//	list.json      each file with its hash, and the hash of all: List
//	files/NAME     a file as it is
//	files/NAME.br  or, for text and WebAssembly, compressed (RFC 7932)
//	files/NAME.gz  and once more for whoever doesn't read that (RFC 1952)
//
// Every answer carries a policy that lets the page load from this door alone. A file whose address ends in ?HASH, with the hash that the list says, may be kept
// for ever; one with another hash isn't there, so that a phone never puts files of two builds together. Without it a browser asks each time whether the file is
// still the same.
//
// Where nothing is built the door says so, and how to build it.
package recorder
