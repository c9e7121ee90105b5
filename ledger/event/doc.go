// Package event holds the ledger's events: their kinds, their bytes, and what each may say.
//
// # An event's line
//
// An event is one line of UTF-8 JSON, at most 65,536 bytes, without white space outside strings and without a newline at its end. It is a CloudEvent
// (CloudEvents 1.0, JSON format) with these members in this order:
//
//	specversion      "1.0"
//	id               a ULID in upper case, not the one of 26 zeros
//	source           /shop/SHOP/device/DEVICE, the log it stands in; each a device id
//	type             countback.KIND.v1
//	time             RFC 3339 with offset, at most 3 decimals, upper-case T and Z, no leap second
//	datacontenttype  "application/json"
//	devseq           its place in its log, a plain whole number from 1 to 2,147,483,647
//	prevhash         the hash of the event before it in its log, 64 zeros for the first
//	person           who recorded it; left out where nobody said
//	data             an object, described by the kind's schema
//	sig              the device's signature
//
// A device id is the first 26 characters of lower-case base32 (RFC 4648) of the SHA-256 of the device's public key.
//
// There is one spelling. A string escapes only the quote (\"), the backslash (\\) and characters below U+0020: \b \t \n \f \r, the others as \u00 and two
// lower-case hexadecimal digits. Any other spelling of the same JSON is refused, as are invalid UTF-8 and a name that stands twice.
//
// The signing input is the line "countback-event-v1" and a newline, then all bytes of the event's line before the six characters ,"sig" and what follows
// them. sig is the Ed25519 signature (RFC 8032) of the signing input in base64url (RFC 4648) without padding, its unused bits 0. The hash of an event is the
// SHA-256 of its whole line, in lower-case hexadecimal. A worked example stands in testdata/events/example; a test verifies it.
//
// # Refused, void, not known
//
// [ParseLine] fails only where bytes can't stand in any log. An event whose id, time, person or data are of the wrong shape is read with a Fault: it is
// kept, passed on, and void. An event of a kind or version that this program doesn't know is read without data and without fault, and kept too. Later
// versions of the program may add kinds and versions; they never change one that was released.
//
// Whether the chain and the signature are right isn't looked at here.
//
// # Data
//
// Quantities, money, rates and shares are decimal text in quotes (package num). Whole numbers without quotes are only days and sequence numbers. A field
// that doesn't apply is left out: null and empty text are refused. What each kind takes is published in package schema; [DecodeData] takes and refuses the
// same, which a property test proves. Facts to be recorded come as lines of the same data in a looser frame, see [ParseFact].
package event
