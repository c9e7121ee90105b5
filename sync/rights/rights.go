// Package rights says what each device may do on a bus: a pure function of who is a member. Whoever runs a bus applies it to each connection, asks again
// after every change of membership, and ends the connections of which something was taken away (Changed).
//
//	                    phone                   desk                    replaced by another         revoked, unknown
//	publish log         its own                 all                     its own                     nothing
//	publish carry       its own                 its own                 its own                     nothing
//	publish held        its own                 its own                 nothing                     nothing
//	read both streams   yes                     yes                     yes                         nothing
//
// A device that another one has replaced (a restored backup, a copied folder) can still bring in facts that nobody else has; but its word on what it holds
// counts no more, and it fills nothing in for others. A revoked device has nothing: what it still holds comes in by a hand-over file.
//
// Nobody may make, change or delete a stream or a consumer. Each device reads through consumers that the desk has made and that bear the device's id as
// their names, and through direct gets. Answers come to subjects that begin with Inbox.
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
	Role      string // desk or phone; phone for a desk that was replaced
	Publish   []string
	Subscribe []string
}

const (
	desk  = "desk"
	phone = "phone"
)

// Inbox is the prefix of the subjects on which a device receives answers.
func Inbox(device string) string { return "_INBOX." + device }

// Of returns the rights of all devices that have any, in the order of their ids.
func Of(m *chain.Members, s Streams) []Rights {
	list := m.All()
	replaced := map[string]bool{}
	for _, b := range list {
		if b.Succeeds != "" {
			replaced[b.Succeeds] = true
		}
	}
	var out []Rights
	for _, b := range list {
		if !b.Revoked {
			out = append(out, of(m.Shop(), b, replaced[b.Device], s))
		}
	}
	return out
}

func of(shop string, b chain.Member, replaced bool, s Streams) Rights {
	r := Rights{Device: b.Device, Key: b.Key, Role: b.Role}
	if replaced {
		r.Role = phone
	}
	logs := b.Device
	if r.Role == desk {
		logs = "*"
	}
	r.Publish = []string{replicate.Subject(shop, replicate.SubjectLog, logs), replicate.Subject(shop, replicate.SubjectCarry, b.Device)}
	if !replaced {
		r.Publish = append(r.Publish, replicate.Subject(shop, replicate.SubjectHeld, b.Device))
	}
	for _, stream := range []string{s.Log, s.Held} {
		r.Publish = append(r.Publish,
			"$JS.API.STREAM.INFO."+stream,
			"$JS.API.DIRECT.GET."+stream, "$JS.API.DIRECT.GET."+stream+".>",
			"$JS.API.CONSUMER.INFO."+stream+"."+b.Device, "$JS.API.CONSUMER.MSG.NEXT."+stream+"."+b.Device, "$JS.ACK."+stream+"."+b.Device+".>")
	}
	r.Subscribe = []string{Inbox(b.Device) + ".>"}
	return r
}

// Changed returns the devices of which before gave something that after doesn't: their connections must end.
func Changed(before, after []Rights) (out []string) {
	now := map[string]Rights{}
	for _, r := range after {
		now[r.Device] = r
	}
	for _, b := range before {
		a, ok := now[b.Device]
		lost := func(had, have []string) bool {
			return slices.ContainsFunc(had, func(s string) bool { return !slices.Contains(have, s) })
		}
		if !ok || lost(b.Publish, a.Publish) || lost(b.Subscribe, a.Subscribe) {
			out = append(out, b.Device)
		}
	}
	return out
}
