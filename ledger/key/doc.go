// Package key holds a device's key and everything that is signed with it.
//
// A key is an Ed25519 key (RFC 8032) in the text format of NATS nkeys: the secret is a user seed ("SU…", 58 characters), the public half a user
// key ("U…", 56 characters). A device's id is the first 26 characters of lower-case base32 (RFC 4648) of the SHA-256 of the raw 32-byte public key.
//
// Nothing is signed but through [Key.Sign], and each signature has a [Purpose]. What is signed begins with a line of its own for each purpose:
//
//	Event    countback-event-v1     then all bytes of the line before its sig member
//	Admit    countback-admit-v1     then shop id, public key, role, and the device that it succeeds if there is one, one a line, without a newline at the end
//	Recover  countback-recover-v1   the same, by a surviving device that makes a new desk the keeper; the last line is the keeper that is lost
//	Held     countback-held-v1      then a receipt
//	Pair     countback-pair-v1      then what pairing agreed on
//	Nonce    (nothing)              a bus's challenge, taken only if it is 1 to 64 characters of A-Z a-z 0-9 _ -
//
// A nonce can hold no newline, so it can't be made to look like anything else that is signed. A new purpose needs a new first line.
//
// Signatures are base64url without padding, 86 characters, in their one spelling.
package key
