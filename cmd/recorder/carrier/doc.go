// Command carrier is the recorder's second WebAssembly module. It runs in a worker beside the page's (package recorder, whose comment says how the two speak) and
// moves bytes between the phone's ledger and the desk: pairing, replication over the desk's bus, hand-over files. It signs receipts, nonces and what pairing
// asks for, and never an event: the phone's own log is the page's.
//
// Any number of workers may run; the one that holds the Web Lock countback-carrier does the work. It goes to the address that the recorder itself came from, which
// is the phone's identity.
//
// Whether the desk still lets this phone in is asked at its door, and only after its bus has refused the phone's key: a bus that is just starting refuses as well.
package main
