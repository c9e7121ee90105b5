// Package rights says what each device may do on a bus: a pure function of who is a member. Whoever runs a bus applies it to each connection, asks again
// after every change of membership, and ends the connections of which something was taken away (Changed).
//
//	                    phone      desk       revoked, unknown
//	publish log         its own    all        nothing
//	publish carry       its own    its own    nothing
//	publish held        its own    its own    nothing
//	read both streams   yes        yes        nothing
//
// Nobody may make, change or delete a stream or a consumer; what is stored is read by direct gets, and a bell and the receipts are heard as they come. Answers
// come to subjects that begin with Inbox.
//
// A device that another one has replaced (a restored backup, a copied folder) keeps its rights: it may hold facts that nobody else has, and what its word is worth package
// replicate knows. A revoked device has none: what it still holds comes in by a hand-over file.
package rights

import (
	"slices"

	"countback/ledger/chain"
	"countback/sync/replicate"
)

// Streams are the names of a bus's two streams.
type Streams struct {
	Log  string
	Held string
}

// Rights are one device's. Subjects may have NATS wildcards.
type Rights struct {
	Device    string
	Key       string // public key in nkeys' text
	Role      string // desk or phone
	Publish   []string
	Subscribe []string
}

// Inbox is the prefix of the subjects on which a device receives answers.
func Inbox(device string) string { return "_INBOX." + device }

// Bell is the subject on which a bus tells that the log stream has grown.
func Bell(shop string) string { return "cb." + shop + ".stored" }

// Of returns the rights of all devices that have any, in the order of their ids.
func Of(m *chain.Members, s Streams) []Rights {
	var out []Rights
	for _, b := range m.All() {
		if !b.Revoked {
			out = append(out, of(m.Shop(), b, s))
		}
	}
	return out
}

func of(shop string, b chain.Member, s Streams) Rights {
	logs := b.Device
	if b.Role == "desk" {
		logs = "*"
	}
	r := Rights{
		Device: b.Device, Key: b.Key, Role: b.Role,
		Publish: []string{
			replicate.Subject(shop, replicate.SubjectLog, logs), replicate.Subject(shop, replicate.SubjectCarry, b.Device), replicate.Subject(shop, replicate.SubjectHeld, b.Device),
		},
		Subscribe: []string{Inbox(b.Device) + ".>", Bell(shop), replicate.Subject(shop, replicate.SubjectHeld, "*")},
	}
	for _, stream := range []string{s.Log, s.Held} {
		r.Publish = append(r.Publish, "$JS.API.STREAM.INFO."+stream, "$JS.API.DIRECT.GET."+stream, "$JS.API.DIRECT.GET."+stream+".>")
	}
	return r
}

// Changed returns the devices of which before gave something that after doesn't: their connections must end.
func Changed(before, after []Rights) (out []string) {
	now := map[string]Rights{}
	for _, r := range after {
		now[r.Device] = r
	}
	lost := func(had, have []string) bool {
		return slices.ContainsFunc(had, func(s string) bool { return !slices.Contains(have, s) })
	}
	for _, b := range before {
		a, ok := now[b.Device]
		if !ok || lost(b.Publish, a.Publish) || lost(b.Subscribe, a.Subscribe) {
			out = append(out, b.Device)
		}
	}
	return out
}
