package resume_test

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/store"
	"countback/ledger/store/storetest"
	"countback/projections/foldtest"
	"countback/projections/resume"
)

const shop = `
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each"}
item 2026-01-01 {"item":"kit","name":"Kit","type":"prepared","unit":"each","parts":[{"item":"card","qty":"2"}]}
packspec 2026-01-01 {"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"}]}]}
#R1 restock 2026-01-02 {"lines":[{"item":"card","qty":"100","cost":"50"},{"item":"board","qty":"100","cost":"10"}]}
`

// Each rule about what may come late, or stand behind a checkpoint, by itself. The checkpoint stands at the end of what comes before "// late", or at the end of
// a day.
func TestWhenACheckpointHolds(t *testing.T) {
	for _, c := range []struct {
		name  string
		until string // day at whose end the checkpoint stands
		facts string
		holds bool
	}{
		{"orders and packs go on", "", `
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			// late
			pack 2026-01-04 {"order":"1"}
			order 2026-01-05 {"order":"2","zone":"ca","lines":[{"item":"card","qty":"3"}]}
			pack 2026-01-06 {"order":"2"}`, true},
		{"a fact from before", "", `
			damage 2026-01-05 {"item":"card","qty":"1","reason":"damaged"}
			// late
			damage 2026-01-04 {"item":"card","qty":"1","reason":"damaged"}`, false},
		{"a fact of the same instant, by its id", "", `
			#Z damage 2026-01-05 {"item":"card","qty":"1","reason":"damaged"}
			// late
			#A damage 2026-01-05 {"item":"card","qty":"1","reason":"damaged"}`, false},
		{"an item", "", "// late\n" + `item 2026-01-09 {"item":"wax","name":"Wax","type":"supply","unit":"g"}`, false},
		{"a packing spec from behind that holds for before as well", "", `
			// late
			packspec 2026-01-09 {"formats":[{"format":"flat","lines":[{"item":"board","qty":"2","per":"parcel"}]}]}`, false},
		{"a retirement", "", "// late\n" + `retire 2026-01-09 {"item":"board"}`, false},
		{"a revocation", "", `
			@2 damage 2026-01-05 {"item":"card","qty":"1","reason":"damaged"}
			// late
			revoke 2026-01-09 {"device":"bbbbbbbbbbbbbbbbbbbbbbbbbb","last":1,"hash":"` + strings.Repeat("0", 64) + `","reason":"lost"}`, false},
		{"the first event of another device", "", "// late\n" + `@3 damage 2026-01-09 {"item":"card","qty":"1","reason":"damaged"}`, false},

		{"a pack of before is reversed", "", `
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			#P pack 2026-01-04 {"order":"1"}
			// late
			reverse 2026-01-09 {"event":"#P","reason":"slip"}`, false},
		{"a pack from behind is reversed", "", `
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			// late
			#P pack 2026-01-04 {"order":"1"}
			reverse 2026-01-09 {"event":"#P","reason":"slip"}`, true},
		{"what isn't there is reversed", "", "// late\n" + `reverse 2026-01-09 {"event":"#X","reason":"slip"}`, false},
		{"a spec from behind is reversed", "2026-01-10", `
			#S packspec 2026-01-20 {"formats":[{"format":"flat","lines":[{"item":"board","qty":"2","per":"parcel"}]}]}
			// late
			reverse 2026-01-21 {"event":"#S","reason":"slip"}`, false},
		{"a pack of before is dropped", "", `
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			#P pack 2026-01-04 {"order":"1"}
			// late
			decide 2026-01-09 {"event":"#P","keep":false}`, false},
		{"a delivery from behind names a credit of before, which came before its delivery", "", `
			#C credit 2026-01-03 {"restock":"#R2","lines":[{"item":"card","amount":"1"}]}
			#R2 restock 2026-01-05 {"lines":[{"item":"card","qty":"5","cost":"3"}]}
			// late
			restock 2026-01-08 {"purchase":"#C","lines":[{"item":"card","qty":"5","cost":"3"}]}
			damage 2026-01-09 {"item":"card","qty":"1","reason":"damaged"}`, true},
		{"a pack from behind is kept", "", `
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			// late
			pack 2026-01-04 {"order":"1"}
			#P pack 2026-01-05 {"order":"1"}
			decide 2026-01-09 {"event":"#P","keep":true}`, true},
		{"a decision from before on a pack from behind", "", `
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			decide 2026-01-04 {"event":"#P","keep":false}
			// late
			#P pack 2026-01-05 {"order":"1"}`, true},

		{"a return of what is packed and done", "", `
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			pack 2026-01-04 {"order":"1"}
			// late
			return 2026-01-09 {"order":"1","lines":[{"item":"card","qty":"1","condition":"saleable"}]}`, false},
		{"a return of an order that is still open", "", `
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"3"}]}
			pack 2026-01-04 {"order":"1","lines":[{"item":"card","qty":"2"}]}
			// late
			return 2026-01-09 {"order":"1","lines":[{"item":"card","qty":"1","condition":"saleable"}]}`, true},
		{"an order for a pack that nothing was known of", "", `
			pack 2026-01-05 {"order":"8"}
			// late
			order 2026-01-09 {"order":"8","zone":"ca","lines":[{"item":"card","qty":"3"}]}`, false},
		{"an order from behind, of which a pack stands before, is reversed", "2026-01-10", `
			pack 2026-01-05 {"order":"9","lines":[{"item":"card","qty":"1"}]}
			#K order 2026-01-20 {"order":"9","zone":"ca","lines":[{"item":"card","qty":"3"}]}
			// late
			reverse 2026-01-21 {"event":"#K","reason":"called off"}`, false},

		{"a credit for a delivery of before", "", `
			damage 2026-01-03 {"item":"card","qty":"60","reason":"damaged"}
			// late
			credit 2026-01-09 {"restock":"#R1","lines":[{"item":"card","amount":"5"}]}`, true},
		{"a credit for a delivery of before that was reversed", "", `
			reverse 2026-01-03 {"event":"#R1","reason":"slip"}
			// late
			credit 2026-01-09 {"restock":"#R1","lines":[{"item":"card","amount":"5"}]}`, true},
		{"a delivery of a purchase of before", "", `
			#P purchase 2026-01-03 {"supplier":"Mill","lines":[{"item":"card","qty":"10"}]}
			// late
			restock 2026-01-09 {"purchase":"#P","lines":[{"item":"card","qty":"10","cost":"9"}]}`, true},
		{"a credit for a delivery, and that of a purchase, of before", "", `
			#P purchase 2026-01-03 {"supplier":"Mill","lines":[{"item":"card","qty":"10"}]}
			#R2 restock 2026-01-04 {"purchase":"#P","lines":[{"item":"card","qty":"10","cost":"9"}]}
			// late
			credit 2026-01-09 {"restock":"#R2","lines":[{"item":"card","amount":"5"}]}`, true},
		{"a delivery that a credit of before waits for", "", `
			credit 2026-01-03 {"restock":"#R2","lines":[{"item":"card","amount":"5"}]}
			// late
			#R2 restock 2026-01-09 {"lines":[{"item":"card","qty":"10","cost":"9"}]}`, false},
		{"a purchase that a delivery of before waits for", "", `
			restock 2026-01-03 {"purchase":"#P","lines":[{"item":"card","qty":"10","cost":"9"}]}
			// late
			#P purchase 2026-01-09 {"supplier":"Mill","lines":[{"item":"card","qty":"10"}]}`, false},
		{"a delivery from behind, of which a credit stands before, is reversed", "2026-01-10", `
			credit 2026-01-03 {"restock":"#R2","lines":[{"item":"card","amount":"5"}]}
			#R2 restock 2026-01-19 {"lines":[{"item":"card","qty":"10","cost":"9"}]}
			// late
			reverse 2026-01-21 {"event":"#R2","reason":"slip"}`, false},
		{"a purchase that a delivery from behind, of which a credit stands before, waits for", "2026-01-10", `
			credit 2026-01-03 {"restock":"#R2","lines":[{"item":"card","amount":"5"}]}
			#R2 restock 2026-01-19 {"purchase":"#P","lines":[{"item":"card","qty":"10","cost":"9"}]}
			// late
			#P purchase 2026-01-21 {"supplier":"Mill","lines":[{"item":"card","qty":"10"}]}`, false},

		{"an id of before on another device", "", `
			@2 #D damage 2026-01-05 {"item":"card","qty":"1","reason":"damaged"}
			// late
			@1 #D damage 2026-01-09 {"item":"card","qty":"2","reason":"damaged"}`, false},
		{"an event from behind whose id one of before has taken", "2026-01-10", `
			@1 #D damage 2026-01-05 {"item":"card","qty":"1","reason":"damaged"}
			@2 #D damage 2026-01-20 {"item":"card","qty":"2","reason":"damaged"}
			// late
			damage 2026-01-21 {"item":"card","qty":"4","reason":"damaged"}`, true},
		{"a decision whose id a damage of before has taken", "2026-01-10", `
			@1 #D damage 2026-01-05 {"item":"card","qty":"1","reason":"damaged"}
			order 2026-01-05 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			#P pack 2026-01-20 {"order":"1"}
			@2 #D decide 2026-01-05 {"event":"#P","keep":false}
			// late
			damage 2026-01-21 {"item":"card","qty":"4","reason":"damaged"}`, true},

		{"a figure of a session that began before", "", `
			count 2026-01-05T10:00:00Z {"item":"card","qty":"90","session":"s","place":"desk"}
			// late
			count 2026-01-05T12:00:00Z {"item":"card","qty":"5","session":"s","place":"cart"}`, false},
		{"a figure in the name of a session that is over", "", `
			count 2026-01-05T10:00:00Z {"item":"card","qty":"90","session":"s","place":"desk"}
			// late
			count 2026-01-07T10:00:00Z {"item":"card","qty":"50","session":"s","place":"desk"}
			count 2026-01-07T11:00:00Z {"item":"card","qty":"5","session":"s","place":"cart"}`, true},
		{"a session from behind", "", `
			// late
			count 2026-01-07T10:00:00Z {"item":"card","qty":"50","session":"s","place":"desk"}
			count 2026-01-07T11:00:00Z {"item":"card","qty":"5","session":"s","place":"cart"}`, true},
		{"a session that goes on behind as-of", "2026-01-05", `
			count 2026-01-05T22:00:00Z {"item":"card","qty":"90","session":"s","place":"desk"}
			count 2026-01-06T02:00:00Z {"item":"card","qty":"5","session":"s","place":"cart"}
			// late
			damage 2026-01-09 {"item":"card","qty":"4","reason":"damaged"}`, false},
		{"a prepared piece that waits for the count of its parts", "", `
			count 2026-01-05T10:00:00Z {"item":"kit","qty":"3","session":"s"}
			// late
			count 2026-01-05T12:00:00Z {"item":"card","qty":"50","session":"s"}`, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			before, _, found := strings.Cut(c.facts, "// late\n")
			if !found {
				t.Fatal("nothing is late")
			}
			early := len(foldtest.Facts(shop + before))
			d := newDesk("a", "b")
			put := func(lines [][]byte) {
				for _, line := range lines {
					e, err := event.ParseLine(line)
					if err != nil {
						t.Fatal(err)
					}
					d.put(e)
				}
			}
			all := foldtest.Facts(shop + c.facts)
			put(all[:early])
			asOf := int64(0)
			if c.until != "" {
				day, err := time.Parse(time.DateOnly, c.until)
				if err != nil {
					t.Fatal(err)
				}
				asOf = day.UnixMilli() + 24*3600*1000 - 1
			}
			now := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli() // no checkpoint but that of the end
			if err := d.fold(t, d.job(now, asOf)).result.Leave(ctx); err != nil {
				t.Fatal(err)
			}
			d.recent = nil
			put(all[early:])
			used, differs := d.same(t, now, 0)
			if differs != "" {
				t.Errorf("%s", differs)
			}
			if used != c.holds {
				t.Errorf("the checkpoint was used: %v", used)
			}
		})
	}
}

// ledger is a desk with a checkpoint at the end of 20 damaged cards.
func ledger(t *testing.T) (d *desk, now int64) {
	t.Helper()
	var facts strings.Builder
	facts.WriteString(shop)
	for i := range 20 {
		facts.WriteString(strings.Replace("damage 2026-02-DD {\"item\":\"card\",\"qty\":\"1\",\"reason\":\"damaged\"}\n", "DD", []string{"01", "05", "09", "13"}[i%4], 1))
	}
	d = newDesk("a")
	for _, line := range foldtest.Facts(facts.String()) {
		e, err := event.ParseLine(line)
		if err != nil {
			t.Fatal(err)
		}
		d.put(e)
	}
	now = time.Date(2026, 2, 14, 12, 0, 0, 0, time.UTC).UnixMilli()
	d.leave(t, d.job(now, 0))
	return d, now
}

func (d *desk) leave(t *testing.T, j resume.Job) {
	t.Helper()
	r, err := j.Fold(ctx)
	if err == nil {
		err = r.Leave(ctx)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func (d *desk) points(t *testing.T, build string) []store.Checkpoint {
	t.Helper()
	list, err := storetest.Checkpoints(ctx, d, resume.Key(build))
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// What comes late invalidates the checkpoints behind it alone: the marks of some days ago are for that.
func TestMarksOutliveWhatComesALittleLate(t *testing.T) {
	d, now := ledger(t)
	if n := len(d.points(t, "test")); n != 4 { // at the end, a week, a month and a quarter before; in the last day there was nothing
		t.Errorf("%d checkpoints", n)
	}
	for _, c := range []struct {
		day  string
		used bool
	}{{"2026-02-13T12:00:00Z", true}, {"2026-02-08T00:00:00Z", true}, {"2026-01-15T00:00:00Z", true}, {"2026-01-01T12:00:00Z", true}, {"2019-01-01T00:00:00Z", false}} {
		at, err := event.ParseTime(c.day)
		if err != nil {
			t.Fatal(err)
		}
		l := d.log("a")
		d.insert(l.At(at.Ms(), &event.Damage{Item: "card", Qty: num.Whole(1), Reason: "damaged"}))
		used, differs := d.same(t, now, 0)
		if used != c.used || differs != "" {
			t.Errorf("after a fact of %s a checkpoint was used: %v; %s", c.day, used, differs)
		}
	}
}

// Nothing is left of a short fold, and nothing used of another program, behind as-of, or where orders or the whole are asked for.
func TestWhereNoCheckpointIsUsed(t *testing.T) {
	d, now := ledger(t)
	fresh := newDesk("a")
	fresh.leave(t, resume.Job{Store: fresh, Build: "test", Now: now})
	if n := len(fresh.points(t, "test")); n != 0 {
		t.Errorf("a short fold has left %d checkpoints", n)
	}
	first := d.points(t, "test")[len(d.points(t, "test"))-1]
	for name, change := range map[string]func(*resume.Job){
		"another build": func(j *resume.Job) { j.Build = "next" },
		"no build":      func(j *resume.Job) { j.Build = "" },
		"orders":        func(j *resume.Job) { j.Run.Orders = true },
		"the whole":     func(j *resume.Job) { j.Whole = true },
		"before":        func(j *resume.Job) { j.Run.AsOf = first.Position.Ms - 1 },
	} {
		j := d.job(now, 0)
		change(&j)
		if r, err := j.Fold(ctx); err != nil || r.Resumed {
			t.Errorf("%s: resumed %v, %v", name, r.Resumed, err)
		}
	}
	for _, build := range []string{"", "next"} {
		if n := len(d.points(t, build)); n != 0 {
			t.Errorf("%q has %d checkpoints", build, n)
		}
	}
	j := d.job(now, first.Position.Ms)
	if r, err := j.Fold(ctx); err != nil || !r.Resumed {
		t.Errorf("exactly at a checkpoint: %v", err)
	}
}

// A state that can't be read, or that is another's, is passed over.
func TestABrokenState(t *testing.T) {
	d, now := ledger(t)
	good := d.points(t, "test")
	for name, state := range map[string][]byte{
		"no text": {0, 255}, "another's": good[len(good)-1].State, "empty": nil, "half": good[0].State[:len(good[0].State)/2],
		"of an item that isn't there": bytes.ReplaceAll(good[0].State, []byte(`"card"`), []byte(`"care"`)),
	} {
		c := good[0]
		c.State = state
		for _, p := range good[1:] {
			if err := d.DropCheckpoints(ctx, p.Key, store.Position{Ms: -1 << 63}); err != nil {
				t.Fatal(err)
			}
		}
		if err := d.SaveCheckpoint(ctx, c); err != nil {
			t.Fatal(err)
		}
		if used, differs := d.same(t, now, 0); used || differs != "" {
			t.Errorf("%s: used %v %s", name, used, differs)
		}
	}
}

// What this program doesn't know is counted wherever it stands.
func TestUnknownEventsAreCounted(t *testing.T) {
	d, now := ledger(t)
	for range 3 {
		d.insert(d.log("a").Foreign("countback.inkwell.v1", `{}`)) // of 2 March, behind
		l := d.log("a")
		head := l.Copy().Foreign("countback.pack.v2", `{}`)
		d.insert(l.Seal(bytes.Replace(head.Line[:bytes.Index(head.Line, []byte(`,"sig":`))], []byte("2026-03-02"), []byte("2026-01-02"), 1)))
		r, err := d.job(now, 0).Fold(ctx)
		if err != nil || !r.Resumed {
			t.Fatalf("not resumed, %v", err)
		}
		if used, differs := d.same(t, now, 0); !used || differs != "" {
			t.Errorf("used %v %s", used, differs)
		}
		d.leave(t, d.job(now, 0))
	}
}

// broken fails one kind of reading.
type broken struct {
	store.Store
	points, state, doubled, since, kinds, ids, orders, heads, save bool
}

var errBroken = errors.New("broken")

func fails[T any](broken bool, then func() (T, error)) (T, error) {
	if broken {
		var none T
		return none, errBroken
	}
	return then()
}

func (b broken) Checkpoints(c context.Context, key string) ([]store.Checkpoint, error) {
	return fails(b.points, func() ([]store.Checkpoint, error) { return b.Store.Checkpoints(c, key) })
}

func (b broken) CheckpointState(c context.Context, p store.Checkpoint) ([]byte, error) {
	return fails(b.state, func() ([]byte, error) { return b.Store.CheckpointState(c, p) })
}

func (b broken) DoubledAfter(c context.Context, n int64) ([]event.ID, error) {
	return fails(b.doubled, func() ([]event.ID, error) { return b.Store.DoubledAfter(c, n) })
}

func (b broken) ByID(c context.Context, id event.ID) ([]store.Row, error) {
	return fails(b.ids, func() ([]store.Row, error) { return b.Store.ByID(c, id) })
}

func (b broken) ByOrder(c context.Context, order string) ([]store.Row, error) {
	return fails(b.orders, func() ([]store.Row, error) { return b.Store.ByOrder(c, order) })
}

func (b broken) Heads(c context.Context) (map[string]store.Head, error) {
	return fails(b.heads, func() (map[string]store.Head, error) { return b.Store.Heads(c) })
}

func (b broken) ScanSince(c context.Context, ms int64, fn func(store.Row) error) error {
	_, err := fails(b.since, func() (int, error) { return 0, b.Store.ScanSince(c, ms, fn) })
	return err
}

func (b broken) ScanKinds(c context.Context, kinds []event.Kind, n int64, fn func(store.Row) error) error {
	_, err := fails(b.kinds, func() (int, error) { return 0, b.Store.ScanKinds(c, kinds, n, fn) })
	return err
}

func (b broken) SaveCheckpoint(c context.Context, p store.Checkpoint) error {
	_, err := fails(b.save, func() (int, error) { return 0, b.Store.SaveCheckpoint(c, p) })
	return err
}

// A reading for the checkpoint's sake that fails takes nothing from the answer.
func TestAStoreThatFailsInBetween(t *testing.T) {
	d, now := ledger(t)
	for _, line := range foldtest.Facts(strings.Repeat("\n", 40) + `
			#P purchase 2026-02-20 {"supplier":"Mill","lines":[{"item":"card","qty":"10"}]}
			restock 2026-02-21 {"purchase":"#P","lines":[{"item":"card","qty":"10","cost":"9"}]}
			order 2026-02-22 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}]}
			pack 2026-02-23 {"order":"1"}`) {
		e, err := event.ParseLine(line)
		if err != nil {
			t.Fatal(err)
		}
		d.put(e)
	}
	want := d.fold(t, d.job(now, 0))
	if !want.result.Resumed {
		t.Fatal("not resumed")
	}
	for i, b := range []broken{{points: true}, {state: true}, {doubled: true}, {since: true}, {kinds: true}, {ids: true}, {orders: true}, {heads: true}} {
		b.Store = d.Store
		j := d.job(now, 0)
		j.Store = b
		got := d.fold(t, j)
		if got.result.Resumed || got.stock != want.stock {
			t.Errorf("%d: resumed %v\n%s\nwant\n%s", i, got.result.Resumed, got.stock, want.stock)
		}
		b.save, j.Store = true, broken{Store: d.Store, save: true}
		if err := d.fold(t, j).result.Leave(ctx); !errors.Is(err, errBroken) {
			t.Errorf("%d: a failed save is told as %v", i, err)
		}
	}
}
