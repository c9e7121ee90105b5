// Package authority is a desk's own certificate authority: what phones and other desks trust it by.
//
// The authority is made once, when a desk first opens a door, and kept in one file (0600) beside the ledger: its certificate and its key, as two PEM blocks.
// It is valid for ten years and can speak for little: its name constraints (RFC 5280, 4.2.1.10, critical) permit one name, the desk's stable one, and
// addresses of loopback, of private networks (RFC 1918, RFC 4193) and link-local ones. So whoever installs it on a phone gives nobody, who should steal
// the file, power over any other site.
//
// Leaves stand in memory alone. Server makes them as they are needed, for the stable name and the addresses that the desk has at the time, valid for 90 days
// (browsers refuse 398 days and more), and anew with each start, when 30 days are left, and when the addresses have changed.
//
// A fingerprint is the SHA-256 of the authority's certificate (DER). In a pairing code stand the first 26 characters of its lower-case base32, 130 bits: who wants to
// pass for the desk would have to find a second certificate with the same 130 bits. Pinned trusts exactly that authority and asks nothing
// about names: the authority has no other leaves than this desk's.
package authority
