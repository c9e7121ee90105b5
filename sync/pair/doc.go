// Package pair lets a device join a shop, and a new desk take the place of a lost one: the code, what both sides say to each other, the doors through which
// they say it, and what a desk keeps of it.
//
// # Joining
//
// The keeper opens a pairing (Desk.Open) and shows a link. The one who joins reads it, and both speak over TLS:
//
//	joiner → desk   /pair/hello    code, key, name, role, commitment: SHA-256 of its nonce, in hexadecimal
//	desk → joiner                  shop, the desk's key, its nonce
//	joiner → desk   /pair/reveal   code, key, nonce, signature
//	both                           show or ask for six digits
//	joiner → desk   /pair/answer   code, key: again and again until the desk has decided
//	desk → joiner                  the endorsement
//	joiner → desk   /pair/admit    the first event of its log, which stands in the ledger from then on
//
// Each is one JSON object (POST, application/json), read under strict rules. Nonces are 32 random bytes in base64url without padding. What was agreed on is
// five lines without a newline at the end,
//
//	shop id, the desk's key, the joiner's key, the desk's nonce, the joiner's nonce
//
// The joiner's signature is over them for the purpose key.Pair. The six digits are the first eight bytes of the SHA-256 of "countback-pair-v1", a newline and
// the same five lines, read as a number with the highest byte first, modulo 1,000,000, with zeros in front. (The hash's own first decimal digits would not be
// equally likely.) Somebody in the middle has other keys, so the two sides see other digits; and since each side is bound before it knows the other's nonce,
// nobody can try nonces until six digits agree: one attempt in a million succeeds.
//
// The person types the joiner's digits at the desk. Wrong twice ends the code. Right, the desk signs the endorsement (key.Admit), and only that lets the joiner in.
//
// A desk that is a member already asks /pair/desk with an open code, which it doesn't use up, whose door it is, and goes to that bus from then on.
//
// # Recovery
//
// Where the keeper is lost a new desk is made from a hand-over file. It has no log yet and opens a pairing itself, for a device that survived; who endorses and who is
// endorsed change places, and so does where the digits are typed: always at the device that endorses. /pair/endorse takes the place of /pair/answer; it brings the
// recovery endorsement (key.Recover), and the new desk records its own first event.
//
// # The code
//
// A link is https://HOST:PORT/#pair/CODE/PIN or …#recover/CODE/PIN. What stands behind # is never sent by a browser. CODE is 128 random bits in lower-case base32, 26
// characters; PIN is the fingerprint of the desk's certificate authority (package authority), which a desk that joins pins. A code is good for ten minutes and for one device, and a new one ends
// the one before it. A desk keeps its SHA-256 only.
//
// # Several processes
//
// The state of a pairing is one note of the store (Desk.Local), changed in a transaction by whoever has something to say: the command that shows the code and asks for the
// digits, and the process that keeps the door. They need nothing else from each other.
//
// # Keeping the door
//
// Whoever keeps the door serves Doors.Handler over TLS with authority.Server's settings, says where it is with Announce, and tells with KeepSight when a device was seen.
// While Desk.Opened says so it also serves Trust on a plain port. What was paired stands in the ledger and gets its rights from there (package rights). A desk that has joined
// knows the other one as one of its Peers: its bus is behind Peer.Base, and trusted by Peer.Pin (authority.Pinned).
//
// # Bounds
//
// A message is at most 4 KiB (a first event 64 KiB) and must have come within ten seconds. One address may send 10 messages at once and 3 a second from then on,
// all together 100 and 50. A door holds 256 connections, 48 of one address (Listener). A wrong code is never written down, so a flood costs no disk. Downloads: two at a time, each for a member that has signed a
// challenge of this door.
package pair
