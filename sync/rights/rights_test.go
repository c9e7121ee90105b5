package rights_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store/storetest"
	"countback/sync/rights"
)

var streams = rights.Streams{Log: "LOG", Held: "HELD"}

// shop is a founding desk, a second desk, a phone, and what happens to them.
type shop struct {
	desk, second, phone *storetest.Log
	members             *chain.Members
}

func newShop() *shop {
	s := &shop{desk: storetest.NewLog(1, "")}
	s.second, s.phone = storetest.NewLog(2, s.desk.Shop), storetest.NewLog(3, s.desk.Shop)
	s.members = chain.NewMembers(s.desk.Shop)
	s.members.Add(s.desk.Next(s.desk.Device(nil, "desk")))
	s.members.Add(s.second.Next(s.second.Device(s.desk, "desk")))
	s.members.Add(s.phone.Next(s.phone.Device(s.desk, "phone")))
	return s
}

func (s *shop) of(l *storetest.Log) (r rights.Rights, ok bool) {
	for _, r := range rights.Of(s.members, streams) {
		if r.Device == l.Key.Device() {
			return r, true
		}
	}
	return r, false
}

func (s *shop) subject(sort string, l *storetest.Log) string {
	return "cb." + s.desk.Shop + "." + sort + "." + l.Key.Device()
}

// may reports whether a device may publish on a subject.
func may(r rights.Rights, subject string) bool {
	return slices.ContainsFunc(r.Publish, func(pattern string) bool { return matches(pattern, subject) })
}

// matches reads NATS wildcards: * is one part, > all parts from there on.
func matches(pattern, subject string) bool {
	p, s := strings.Split(pattern, "."), strings.Split(subject, ".")
	for i, x := range p {
		if x == ">" {
			return len(s) > i
		}
		if i >= len(s) || x != "*" && x != s[i] {
			return false
		}
	}
	return len(p) == len(s)
}

func TestWhatEachMayPublish(t *testing.T) {
	s := newShop()
	for _, c := range []struct {
		who     *storetest.Log
		subject string
		want    bool
	}{
		{s.phone, s.subject("log", s.phone), true},
		{s.phone, s.subject("log", s.desk), false},
		{s.phone, s.subject("carry", s.phone), true},
		{s.phone, s.subject("carry", s.second), false},
		{s.phone, s.subject("held", s.phone), true},
		{s.phone, s.subject("held", s.desk), false},
		{s.second, s.subject("log", s.phone), true},
		{s.second, s.subject("log", s.desk), true},
		{s.second, s.subject("carry", s.phone), false},
		{s.second, s.subject("held", s.phone), false},
		{s.phone, "$JS.API.STREAM.PURGE.LOG", false},
		{s.second, "$JS.API.STREAM.DELETE.LOG", false},
		{s.second, "$JS.API.STREAM.UPDATE.LOG", false},
		{s.second, "$JS.API.STREAM.MSG.DELETE.LOG", false},
		{s.phone, "$JS.API.CONSUMER.CREATE.LOG." + s.phone.Key.Device(), false},
		{s.phone, "$JS.API.STREAM.CREATE.LOG", false},
		{s.phone, "$JS.API.STREAM.INFO.LOG", true},
		{s.phone, "$JS.API.DIRECT.GET.LOG", true},
		{s.phone, "$JS.API.DIRECT.GET.HELD." + s.subject("held", s.desk), true},
		{s.phone, "$JS.API.DIRECT.GET.OTHER", false},
		{s.phone, "$SYS.REQ.SERVER.PING", false},
		{s.phone, "cb." + s.phone.Key.Device() + ".log." + s.phone.Key.Device(), false},
	} {
		r, ok := s.of(c.who)
		if got := may(r, c.subject); !ok || got != c.want {
			t.Errorf("%s may publish on %s: %v", r.Role, c.subject, got)
		}
	}
	r, _ := s.of(s.phone)
	if want := []string{rights.Inbox(r.Device) + ".>", rights.Bell(s.desk.Shop), s.subject("held", s.desk)[:len("cb."+s.desk.Shop+".held.")] + "*"}; !slices.Equal(r.Subscribe, want) || r.Key != s.phone.Key.Public() {
		t.Error(r)
	}
}

func TestARevokedDeviceHasNothing(t *testing.T) {
	s := newShop()
	before := rights.Of(s.members, streams)
	s.members.Add(s.desk.Next(&event.Revoke{Device: s.phone.Key.Device(), Last: 1, Hash: s.phone.Prev, Reason: "lost"}))
	after := rights.Of(s.members, streams)
	if _, ok := s.of(s.phone); ok || len(after) != 2 {
		t.Error(after)
	}
	if got := rights.Changed(before, after); !slices.Equal(got, []string{s.phone.Key.Device()}) {
		t.Error("to be disconnected:", got)
	}
	if got := rights.Changed(after, before); got != nil {
		t.Error("a new member disconnects nobody:", got)
	}
}

// A desk that was replaced by a restored backup may have recorded since.
func TestAReplacedDeskIsStillHeard(t *testing.T) {
	s := newShop()
	before := rights.Of(s.members, streams)
	fresh := storetest.NewLog(4, s.desk.Shop)
	s.members.Add(fresh.Next(fresh.Successor(s.second, s.second, "desk")))
	if r, ok := s.of(s.second); !ok || !may(r, s.subject("log", s.second)) {
		t.Error(r)
	}
	if r, _ := s.of(fresh); r.Role != "desk" || !may(r, s.subject("log", s.second)) {
		t.Error(r)
	}
	if got := rights.Changed(before, rights.Of(s.members, streams)); got != nil {
		t.Error(got)
	}
}

// Whoever joins, is replaced or is revoked, in whatever order that is learnt: nobody has rights who isn't a member, and nobody may speak for another.
func TestRightsFollowMembership(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		founder := storetest.NewLog(1, "")
		logs := []*storetest.Log{founder}
		events := []*event.Event{founder.Next(founder.Device(nil, "desk"))}
		for n := byte(2); int(n) < rapid.IntRange(3, 8).Draw(t, "devices"); n++ {
			l := storetest.NewLog(n, founder.Shop)
			by := logs[rapid.IntRange(0, len(logs)-1).Draw(t, "by")]
			role := rapid.SampledFrom([]string{"desk", "phone"}).Draw(t, "role")
			d := l.Device(by, role)
			if rapid.Bool().Draw(t, "succeeds") {
				d = l.Successor(by, logs[rapid.IntRange(0, len(logs)-1).Draw(t, "endorsed by")], role)
			}
			events = append(events, l.Next(d))
			logs = append(logs, l)
		}
		for range rapid.IntRange(0, 4).Draw(t, "revocations") {
			by, whom := rapid.SampledFrom(logs).Draw(t, "revokes"), rapid.SampledFrom(logs).Draw(t, "revoked")
			events = append(events, by.Next(&event.Revoke{Device: whom.Key.Device(), Last: 1, Hash: whom.Prev, Reason: "lost"}))
		}
		build := func(list []*event.Event) (*chain.Members, []rights.Rights) {
			m := chain.NewMembers(founder.Shop)
			for _, e := range list {
				m.Add(e)
			}
			return m, rights.Of(m, streams)
		}
		m, list := build(events)
		_, shuffled := build(rapid.Permutation(events).Draw(t, "order"))
		if fmt.Sprint(list) != fmt.Sprint(shuffled) {
			t.Fatalf("another order gives other rights:\n%v\n%v", list, shuffled)
		}
		for _, r := range list {
			b, ok := m.Get(r.Device)
			if !ok || b.Revoked {
				t.Fatalf("%s has rights, and is %v", r.Device, b)
			}
			for _, other := range logs {
				id := other.Key.Device()
				for _, sort := range []string{"log", "carry", "held"} {
					if id != r.Device && may(r, "cb."+founder.Shop+"."+sort+"."+id) && !(sort == "log" && b.Role == "desk" && r.Role == "desk") {
						t.Fatalf("%s (%s) may publish on %s of %s", r.Device, r.Role, sort, id)
					}
				}
			}
		}
	})
}
