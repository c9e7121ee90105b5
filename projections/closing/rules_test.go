package closing_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/closing"
	"countback/projections/foldtest"
	"countback/projections/report"
)

// march is a small shop's first month.
var march = foldtest.Facts(`
	shop 2026-03-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"UTC"}
	item 2026-03-01 {"item":"board","name":"Board","type":"supply","unit":"each","packs":{"box":"150"}}
	item 2026-03-01 {"item":"card","name":"Card","type":"good","unit":"each"}
	#SP packspec 2026-03-01 {"lines":[{"item":"board","qty":"1","per":"order"}],"formats":[{"format":"flat"}]}
	restock 2026-03-02 {"lines":[{"item":"board","qty":"100","cost":"50.00"},{"item":"card","qty":"30","cost":"40.00"}]}
	#P1 pack 2026-03-05 {"order":"1","zone":"home","lines":[{"item":"card","qty":"7"}]}
	damage 2026-03-06 {"item":"card","qty":"1","reason":"gift"}
	#CT count 2026-03-31T18:00:00Z {"item":"board","qty":"98"}`)

func TestColumnsOfAMonth(t *testing.T) {
	f := show(t, march, "2026-03")
	expect(t, f, "board", map[string]string{"opening": "0 0", "bought": "100 50", "packed": "1 0.5", "lost": "1 0.5", "closing": "98 49"})
	expect(t, f, "card", map[string]string{"opening": "0 0", "bought": "30 40", "sold": "7 9.33333333", "given": "1 1.33333333", "closing": "22 29.33333334"})
	if got := closing.Totals(f.Rows); got.Material()[0].String() != "9.83333333" {
		t.Errorf("material cost %v", got.Material())
	}
}

// The bytes of the digest, by hand: SHA-256 over these two lines.
func TestDigestOfAMonth(t *testing.T) {
	zeros := func(n int) string { return strings.Repeat(" 0 0.00000000", n) }
	text := "board" + zeros(2) + " 100 50.00000000" + zeros(3) + " 1 0.50000000" + zeros(3) + " 1 0.50000000" + zeros(2) + " 98 49.00000000\n" +
		"card" + zeros(2) + " 30 40.00000000" + zeros(2) + " 7 9.33333333" + zeros(2) + " 1 1.33333333" + zeros(4) + " 22 29.33333334\n"
	if want := sha(text); show(t, march, "2026-03").Digest != (event.Digests{Average: want, FIFO: want}) {
		t.Errorf("digest %v, want %s", show(t, march, "2026-03").Digest, want)
	}
}

// A late fact, a reversal and a restated spec change no closed figure: their whole effect falls into the next month, each listed there in fold order.
func TestWhatComesLateFallsIntoTheNextMonth(t *testing.T) {
	lines := closed(t, march, "2026-03")
	was := fmt.Sprint(show(t, lines, "2026-03").Rows)
	lines = later(t, lines, `
		restock 2026-03-03 {"lines":[{"item":"card","qty":"10","cost":"20.00"}]}
		packspec 2026-04-02 {"restates":"#SP","lines":[{"item":"board","qty":"2","per":"order"}],"formats":[{"format":"flat"}]}
		pack 2026-04-09 {"order":"2","zone":"home","lines":[{"item":"card","qty":"1"}]}`)
	f := show(t, lines, "2026-03")
	if got := fmt.Sprint(f.Rows); got != was || !f.Same() {
		t.Errorf("March was %s and is %s", was, got)
	}
	if got := names(f.Late); !slices.Equal(got, []string{"restock card", "packspec "}) {
		t.Errorf("since March was closed came %q", got)
	}
	f = show(t, lines, "2026-04")
	if got := names(f.Earlier); !slices.Equal(got, []string{"restock card", "packspec "}) {
		t.Errorf("from earlier periods %q", got)
	}
	// Board: March's pack takes 2 instead of 1, so its count finds none lost; April's pack takes 2.
	expect(t, f, "board", map[string]string{"opening": "98 49", "packed": "3 1.5", "lost": "-1 -0.5", "closing": "96 48"})
	// Card by average: 40 for 60.00 before March's pack and gift, which now cost 1.50 each; under first in first out they took the oldest.
	expect(t, f, "card", map[string]string{"opening": "22 29.33333334", "bought": "10 20", "sold": "1 2.66666667 1.33333333", "given": "0 0.16666667 0", "closing": "31 46.5 48.00000001"})
	for i := range f.Rows {
		if r := &f.Rows[i]; r.Item == "board" && fmt.Sprint(r.Earlier[5].Qty, r.Earlier[9].Qty) != "1 -1" {
			t.Errorf("from earlier periods: packed %v, lost %v", r.Earlier[5].Qty, r.Earlier[9].Qty)
		}
	}
	lines = later(t, closed(t, lines, "2026-04"), `reverse 2026-05-02 {"event":"#P1","reason":"never sent"}`)
	f = show(t, lines, "2026-05")
	if got := names(f.Earlier); !slices.Equal(got, []string{"reverse " + foldtest.ID("P1").String()}) {
		t.Errorf("from earlier periods %q", got)
	}
	expect(t, f, "card", map[string]string{"opening": "31 46.5 48.00000001", "sold": "-7 -10.5 -9.33333333", "closing": "38 57 57.33333334"})
}

// An event about a closed period which arrives with another that undoes it changes nothing and is not named.
func TestWhatHasNoEffectIsNotNamed(t *testing.T) {
	lines := later(t, closed(t, march, "2026-03"), `
		#R9 restock 2026-03-03 {"lines":[{"item":"card","qty":"10","cost":"20.00"}]}
		reverse 2026-04-01 {"event":"#R9","reason":"slip"}
		item 2026-03-01 {"item":"seal","name":"Seal","type":"supply","unit":"each"}
		order 2026-03-20 {"order":"8","zone":"home","lines":[{"item":"card","qty":"1"}]}`)
	if got := names(show(t, lines, "2026-04").Earlier); len(got) != 0 {
		t.Errorf("from earlier periods %q", got)
	}
}

// A count that agrees moves nothing, and is still named; one that was reversed is not.
func TestALateCountIsNamed(t *testing.T) {
	lines := later(t, closed(t, march, "2026-03"), `
		count 2026-03-30 {"item":"card","qty":"22"}
		#C8 count 2026-03-30 {"item":"card","qty":"9"}
		reverse 2026-04-01 {"event":"#C8","reason":"slip"}`)
	if got := names(show(t, lines, "2026-04").Earlier); !slices.Equal(got, []string{"count card"}) {
		t.Errorf("from earlier periods %q", got)
	}
}

// What acts by reference is named beside other late events: an order that a closed pack goes by, a decision, the first definition of an item, a spec and a
// purchase that closed events name, a doubled id. What doesn't reach back is not.
func TestWhatActsByReferenceIsNamed(t *testing.T) {
	base := later(t, march, `
		order 2026-03-06 {"order":"3","zone":"home","lines":[{"item":"card","qty":"2"}]}
		pack 2026-03-07 {"order":"3"}
		#P2 pack 2026-03-08 {"order":"3"}
		pack 2026-03-09 {"order":"5"}
		pack 2026-03-09 {"order":"6","lines":[{"item":"cover","qty":"1"}]}
		damage 2026-03-10 {"item":"seal","qty":"1","reason":"sample"}
		item 2026-03-01 {"item":"cover","name":"Cover","type":"good","unit":"each"}
		pack 2026-03-11 {"order":"6","lines":[{"item":"card","qty":"1"}],"spec":"#SN"}
		restock 2026-03-12 {"purchase":"#PN","lines":[{"item":"board","qty":"10","cost":"5"}]}
		@2 #D9 damage 2026-03-13 {"item":"card","qty":"1","reason":"gift"}`)
	base = later(t, base, `
		#MS makespec 2026-04-01 {"item":"card","pieces":"1","lines":[{"item":"board","qty":"1","per":"piece"}]}
		#M2 makespec 2026-04-02 {"restates":"#MS","item":"card","pieces":"1","lines":[{"item":"board","qty":"2","per":"piece"}]}
		reprint 2026-03-14 {"item":"card","good":"2","spoiled":"0"}`)
	base = closed(t, base, "2026-03")
	const other = `
		damage 2026-03-02T01:00:00Z {"item":"board","qty":"1","reason":"sample"}`
	for _, c := range []struct{ name, facts, want string }{
		{"an order that a closed pack goes by", `order 2026-04-03 {"order":"5","zone":"home","lines":[{"item":"card","qty":"1"}]}`, "order 5"},
		{"an order of another pack", `order 2026-03-03 {"order":"9","zone":"home","lines":[{"item":"card","qty":"1"}]}`, ""},
		{"a decision", `decide 2026-04-03 {"event":"#P2","keep":true}`, "decide " + foldtest.ID("P2").String()},
		{"the first definition of an item", `item 2026-04-03 {"item":"seal","name":"Seal","type":"supply","unit":"each"}`, "item seal"},
		{"a spec that a closed pack names", `#SN packspec 2026-04-03 {"lines":[{"item":"board","qty":"5","per":"order"}],"formats":[{"format":"flat"}]}`, "packspec "},
		{"a purchase that a closed restock names", `#PN purchase 2026-04-03 {"supplier":"Tarnwick Board","lines":[{"item":"board","qty":"10"}]}`, "purchase "},
		{"an id that a closed event had", `#D9 damage 2026-04-03 {"item":"card","qty":"2","reason":"gift"}`, "damage card"},
		{"the reversal of a spec that held from the beginning of time", `reverse 2026-04-03 {"event":"#MS","reason":"wrong"}`, "reverse " + foldtest.ID("MS").String()},
		{"a spec from its own time on", `packspec 2026-04-03 {"lines":[{"item":"board","qty":"5","per":"order"}],"formats":[{"format":"flat"}]}`, ""},
		{"a restated spec", `packspec 2026-04-03 {"restates":"#SP","lines":[{"item":"board","qty":"5","per":"order"}],"formats":[{"format":"flat"}]}`, "packspec "},
		{"a run without inputs that supplies a closed pack", `reprint 2026-03-04 {"item":"cover","good":"1","spoiled":"0","order":"6"}`, "reprint cover"},
		{"a void fact", `damage 2026-03-04 {"item":"nothing","qty":"1","reason":"gift"}`, ""},
		{"a pack that is pending", `pack 2026-03-20 {"order":"3"}`, ""},
		{"the reversal of a restated spec", `reverse 2026-04-03 {"event":"#M2","reason":"wrong"}`, "reverse " + foldtest.ID("M2").String()},
		{"a fact of April", `damage 2026-04-03 {"item":"card","qty":"2","reason":"gift"}`, ""},
		{"a reversal of a fact of April", `
			#A1 damage 2026-04-03 {"item":"card","qty":"2","reason":"gift"}
			reverse 2026-04-03 {"event":"#A1","reason":"slip"}`, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := names(show(t, later(t, base, c.facts+other), "2026-04").Earlier)
			want := []string{"damage board"}
			if c.want != "" {
				want = append(want, c.want)
			}
			slices.Sort(got)
			slices.Sort(want)
			if !slices.Equal(got, want) {
				t.Errorf("named %q, want %q", got, want)
			}
		})
	}
}

// The first instant of a month belongs to it, and the last millisecond before it to the month before, also where one close covers both.
func TestTheEdgeOfAMonth(t *testing.T) {
	lines := later(t, march, `
		damage 2026-03-31T23:59:59.999Z {"item":"card","qty":"2","reason":"sample"}
		damage 2026-04-01T00:00:00Z {"item":"card","qty":"3","reason":"sample"}`)
	lines = closed(t, lines, "2026-03")
	if got := row(show(t, lines, "2026-03"), "card")["given"]; got != "3 4" {
		t.Errorf("March gave %s", got)
	}
	if got := row(show(t, lines, "2026-04"), "card")["given"]; got != "3 4" {
		t.Errorf("April gave %s", got)
	}
}

// An item whose definition a revocation took away leaves the figures with the close that covers the revocation.
func TestAnItemThatIsNoMore(t *testing.T) {
	lines := later(t, march, `
		@2 retire 2026-03-01 {"item":"board"}
		@2 item 2026-03-01 {"item":"seal","name":"Seal","type":"supply","unit":"each"}
		@2 count 2026-03-02 {"item":"seal","qty":"8","cost":"4"}`)
	lines = closed(t, lines, "2026-03")
	revoke := &event.Revoke{Device: foldtest.Devices[1], Last: 1, Hash: event.FirstPrev, Reason: "lost"}
	lines = closed(t, recorded(t, lines, foldtest.Devices[0], "2026-04-02T00:00:00Z", revoke), "2026-04")
	f := show(t, lines, "2026-04")
	expect(t, f, "seal", map[string]string{"opening": "8 4", "opened": "-8 -4", "closing": "0 0"})
	if !f.Same() || len(show(t, lines, "2026-05").Rows) != 2 {
		t.Error("seal is not gone")
	}
}

// A fact dated before the first month that was closed falls into the month that covers it.
func TestTheFirstCloseSaysWhichMonthCameFirst(t *testing.T) {
	lines := later(t, closed(t, march, "2026-03"), `restock 2026-01-15 {"lines":[{"item":"card","qty":"10","cost":"20.00"}]}`)
	if got := names(show(t, lines, "2026-04").Earlier); !slices.Equal(got, []string{"restock card"}) {
		t.Errorf("from earlier periods %q", got)
	}
	if _, err := read(t, lines).Show(ctx, period("2026-01")); !errors.Is(err, closing.ErrRefused) || !strings.Contains(err.Error(), "2026-01 lies before 2026-03, the first month") {
		t.Error(err)
	}
}

// Spoilage beyond the normal share is a cost of the period and stays out of the value of what was made: IAS 2, paragraph 16 (a). By hand: ten sheets at 10.00 make
// 100 pieces, 90 of them good. Of the 10 spoiled 5 are normal (5 %), 5 are not: 100.00 · 5 / 100 = 5.00 is lost, and the 90 good pieces carry 95.00.
func TestAbnormalWasteIsALossOfTheMonth(t *testing.T) {
	f := show(t, foldtest.Facts(`
		item 2026-03-01 {"item":"sheet","name":"Sheet","type":"supply","unit":"each"}
		item 2026-03-01 {"item":"print","name":"Print","type":"good","unit":"each"}
		makespec 2026-03-01 {"item":"print","pieces":"10","lines":[{"item":"sheet","qty":"1","per":"cycle"}],"normal_spoilage":"0.05"}
		restock 2026-03-02 {"lines":[{"item":"sheet","qty":"12","cost":"120.00"}]}
		reprint 2026-03-03 {"item":"print","good":"90","spoiled":"10"}`), "2026-03")
	expect(t, f, "print", map[string]string{"opening": "0 0", "made": "90 100", "lost": "0 5", "closing": "90 95"})
	expect(t, f, "sheet", map[string]string{"opening": "0 0", "bought": "12 120", "into_runs": "10 100", "closing": "2 20"})
}

// A run for an order stands under its inputs' into_runs and is part of the material cost.
func TestMaterialCostHoldsRunsForOrders(t *testing.T) {
	f := show(t, foldtest.Facts(`
		item 2026-03-01 {"item":"sheet","name":"Sheet","type":"supply","unit":"each"}
		item 2026-03-01 {"item":"print","name":"Print","type":"good","unit":"each"}
		makespec 2026-03-01 {"item":"print","pieces":"1","lines":[{"item":"sheet","qty":"1","per":"piece"}]}
		restock 2026-03-02 {"lines":[{"item":"sheet","qty":"12","cost":"120.00"}]}
		reprint 2026-03-03 {"item":"print","good":"2","spoiled":"0"}
		reprint 2026-03-03 {"item":"print","good":"3","spoiled":"0","order":"7"}
		pack 2026-03-04 {"order":"7","lines":[{"item":"print","qty":"4"}]}`), "2026-03")
	expect(t, f, "sheet", map[string]string{"opening": "0 0", "bought": "12 120", "into_runs": "5 50", "closing": "7 70"})
	if got := closing.Totals(f.Rows); got.Material()[0].String() != "40" {
		t.Errorf("material %v, want 30 of the run for the order and 10 of stock", got.Material())
	}
}

// A count session that the end of a month cuts counts with its figures up to there, and nothing is late the month after.
func TestASessionOverTheEndOfAMonth(t *testing.T) {
	lines := later(t, march, `
		count 2026-03-31T23:30:00Z {"item":"card","qty":"10","session":"end","place":"drawer"}
		count 2026-04-01T00:30:00Z {"item":"card","qty":"12","session":"end","place":"shelf"}`)
	f := show(t, lines, "2026-03")
	expect(t, f, "card", map[string]string{"opening": "0 0", "bought": "30 40", "sold": "7 9.33333333", "given": "1 1.33333333", "lost": "12 16", "closing": "10 13.33333334"})
	lines = closed(t, lines, "2026-03")
	f = show(t, lines, "2026-04")
	if len(f.Earlier) != 0 {
		t.Errorf("late %v", names(f.Earlier))
	}
	expect(t, f, "card", map[string]string{"opening": "10 13.33333334", "lost": "-12 -16", "closing": "22 29.33333334"})
}

// What was revoked after a close covered it still counts there, and leaves the figures with the close that covers the revocation.
func TestARevocationLeavesClosedFiguresAlone(t *testing.T) {
	lines := later(t, march, `
		@2 damage 2026-03-07 {"item":"board","qty":"1","reason":"damaged"}
		@2 damage 2026-03-07 {"item":"card","qty":"2","reason":"damaged"}`)
	lines = closed(t, lines, "2026-03")
	was := show(t, lines, "2026-03")
	lines = later(t, lines, `damage 2026-03-08 {"item":"board","qty":"1","reason":"sample"}`)
	lines = recorded(t, lines, foldtest.Devices[0], "2026-04-02T00:00:00Z", &event.Revoke{Device: foldtest.Devices[1], Last: 1, Hash: head(t, lines, foldtest.Devices[1]).Hash, Reason: "lost"})
	now := show(t, lines, "2026-03")
	if !now.Same() || fmt.Sprint(was.Rows) != fmt.Sprint(now.Rows) {
		t.Errorf("March was %v and is %v", was.Rows, now.Rows)
	}
	f := show(t, lines, "2026-04")
	expect(t, f, "card", map[string]string{"opening": "20 26.66666667", "lost": "-2 -2.66666667", "closing": "22 29.33333334"})
	if got := names(f.Earlier); !slices.Equal(got, []string{"damage board", "revoke " + foldtest.Devices[1]}) {
		t.Errorf("from earlier periods %q", got)
	}
}

// Only the keeper closes, the first close of a period counts, and months are closed in turn.
func TestClosesThatDoNotCount(t *testing.T) {
	base := closed(t, march, "2026-03")
	good := read(t, base).Closed[0].Data
	other := func(change func(d *event.Close)) *event.Close {
		d := *good
		d.Upto = map[string]event.LogHead{foldtest.Devices[0]: good.Upto[foldtest.Devices[0]], keeper: head(t, base, keeper)}
		change(&d)
		return &d
	}
	for _, c := range []struct {
		name, device string
		d            *event.Close
		why          string
	}{
		{"another device", foldtest.Devices[0], other(func(d *event.Close) { d.Period = "2026-04" }), "a device that isn't the keeper"},
		{"the same period again", keeper, other(func(d *event.Close) {}), "2026-03 was closed already"},
		{"an earlier period", keeper, other(func(d *event.Close) { d.Period = "2026-02" }), "2026-02 was closed already"},
		{"a gap", keeper, other(func(d *event.Close) { d.Period = "2026-05" }), "after 2026-03 comes 2026-04, which wasn't closed"},
		{"covers less", keeper, other(func(d *event.Close) { d.Period = "2026-04"; delete(d.Upto, foldtest.Devices[0]) }), "covers less than the close of 2026-03"},
	} {
		t.Run(c.name, func(t *testing.T) {
			lines := recorded(t, base, c.device, "2026-02-01T00:00:00Z", c.d) // a clock that was set back changes nothing
			l := read(t, lines)
			if len(l.Closed) != 1 || l.Closed[0].Event.Hash != read(t, base).Closed[0].Event.Hash || len(l.Void) != 1 || !strings.Contains(l.Void[0].Why, c.why) {
				t.Errorf("closed %v, void %v", l.Closed, l.Void)
			}
		})
	}
}

// A close of a device that was revoked later counts if a later close that counts covers it.
func TestACloseThatALaterOneCoversCountsWhateverIsRevoked(t *testing.T) {
	revoked := func(members []*event.Event) (string, func(string, int64) bool) {
		return keeper, func(device string, seq int64) bool { return device == keeper && seq == 1 }
	}
	lines := closed(t, march, "2026-03")
	l, err := closing.Read(ctx, lines, time.UTC, revoked)
	if err != nil || len(l.Closed) != 0 || len(l.Void) != 1 {
		t.Errorf("closed %v, void %v, %v", l.Closed, l.Void, err)
	}
	lines = closed(t, lines, "2026-04")
	l, err = closing.Read(ctx, lines, time.UTC, revoked)
	if err != nil || len(l.Closed) != 2 {
		t.Errorf("closed %v, void %v, %v", l.Closed, l.Void, err)
	}
}

// A log that differs from the one that was closed is no ground for figures.
func TestAForkedLogIsNoGroundForFigures(t *testing.T) {
	lines := closed(t, march, "2026-03")
	e, err := event.ParseLine(lines[len(march)-1])
	if err != nil {
		t.Fatal(err)
	}
	forked := slices.Clone(lines)
	forked[len(march)-1] = foldtest.Line(e.ID, e.Device, e.Time, e.Seq, &event.Count{Item: "board", Qty: ptr(num.Whole(5))})
	f := show(t, forked, "2026-03")
	if r := f.Report(style); len(r.Items) != 0 || len(r.Waiting) != 1 || !strings.Contains(r.Waiting[0], "isn't the one that was closed") {
		t.Errorf("%+v", r.Waiting)
	}
}

// A replica whose figures have another digest says so.
func TestAnotherDigestIsSaid(t *testing.T) {
	d, err := show(t, march, "2026-03").Data(nil)
	if err != nil {
		t.Fatal(err)
	}
	d.Digest.FIFO = strings.Repeat("0", 64)
	f := show(t, recorded(t, march, keeper, "2026-04-01T00:00:00Z", d), "2026-03")
	if r := f.Report(style); f.Same() || r.Closed.Agrees || r.Closed.Digest != d.Digest || *r.Digest == d.Digest || len(r.Items) == 0 {
		t.Errorf("%+v", r.Closed)
	}
}

func TestWhatCannotBeClosed(t *testing.T) {
	at := func(s string) time.Time {
		when, err := event.ParseTime(s)
		if err != nil {
			t.Fatal(err)
		}
		return time.UnixMilli(when.Ms())
	}
	may := at("2026-05-10T00:00:00Z")
	closedMarch := closed(t, march, "2026-03")
	unknown := append(slices.Clip(march), []byte(strings.Replace(string(later(t, march, `retire 2026-03-09 {"item":"card"}`)[len(march)]), "countback.retire.v1", "countback.retire.v9", 1)))
	for _, c := range []struct {
		name, period, device string
		lines                foldtest.Lines
		now                  time.Time
		want                 string
	}{
		{"the month isn't over", "2026-03", keeper, march, at("2026-03-31T23:59:59.999Z"), "2026-03 isn't over before Wed 1 Apr 2026; until then"},
		{"a future month", "2026-07", keeper, march, may, "2026-07 lies in the future; look at this month with countback close 2026-05 --dry-run"},
		{"a gap", "2026-04", keeper, march, may, "2026-03 isn't closed yet; close it first: countback close 2026-03"},
		{"a gap behind a closed month", "2026-05", keeper, closedMarch, at("2026-06-01T00:00:00Z"), "2026-04 isn't closed yet; close it first: countback close 2026-04"},
		{"before the first", "2026-02", keeper, march, may, "stock moved first in 2026-03, so 2026-02 has nothing to close; begin with countback close 2026-03"},
		{"closed already", "2026-03", keeper, closedMarch, may, "2026-03 was closed on Tue 1 Sep 2026; countback close 2026-03 --dry-run"},
		{"another device", "2026-03", foldtest.Devices[0], march, may, "only the keeper closes a month"},
		{"nothing there", "2026-03", keeper, march[:3], may, "nothing has moved stock yet"},
		{"a kind from the future", "2026-03", keeper, unknown, may, "events of a kind that this program doesn't know (1)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := read(t, c.lines).Propose(ctx, period(c.period), c.device, c.now)
			if !errors.Is(err, closing.ErrRefused) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %s", err, c.want)
			}
		})
	}
	if _, err := read(t, march).Propose(ctx, period("2026-03"), keeper, at("2026-04-01T00:00:00Z")); err != nil {
		t.Error(err)
	}
}

// What is open in a period or before it is asked about once: what a close accepted is not asked again, and what lies behind the period is not asked yet.
func TestOpenQuestions(t *testing.T) {
	lines := later(t, march, `
		pack 2026-03-20 {"order":"1"}
		order 2026-03-21 {"order":"1","zone":"home","lines":[{"item":"card","qty":"7"}]}
		pack 2026-04-20 {"order":"1"}
		reverse 2026-05-05 {"event":"#N0PE","reason":"not here yet"}`)
	about := func(lines foldtest.Lines, month string) (topics []string, err error) {
		l := read(t, lines)
		f, err := l.Show(ctx, period(month))
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range l.Questions(f, style) {
			topics = append(topics, q.Topic+" "+q.Event)
		}
		return topics, nil
	}
	got, _ := about(lines, "2026-03")
	if len(got) == 0 || !slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, "pending") }) {
		t.Fatalf("questions of March: %v", got)
	}
	l := read(t, lines)
	f, err := l.Show(ctx, period("2026-03"))
	if err != nil {
		t.Fatal(err)
	}
	d, err := f.Data(l.Questions(f, style))
	if err != nil || len(d.Accepted) != 1 {
		t.Fatalf("accepted %v, %v", d.Accepted, err)
	}
	if err := event.Check(d); err != nil {
		t.Error(err)
	}
	lines = recorded(t, lines, keeper, "2026-04-01T00:00:00Z", d)
	if got, _ = about(lines, "2026-04"); len(got) != 1 || !strings.HasPrefix(got[0], "pending") {
		t.Errorf("questions of April: %v", got)
	}
}

func TestMonthsInAZone(t *testing.T) {
	for _, c := range []struct{ zone, month, from, to string }{
		{"America/Halifax", "2026-03", "2026-03-01T00:00:00-04:00", "2026-03-31T23:59:59.999-03:00"},
		{"America/Asuncion", "2023-10", "2023-10-01T01:00:00-03:00", "2023-10-31T23:59:59.999-03:00"}, // the clocks went forward at midnight
		{"UTC", "2024-02", "2024-02-01T00:00:00Z", "2024-02-29T23:59:59.999Z"},
		{"Pacific/Apia", "2011-12", "2011-12-01T00:00:00-10:00", "2011-12-31T23:59:59.999+14:00"},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		st := report.Style{Zone: zone}
		from, to := period(c.month).Span(zone)
		if st.Time(from) != c.from || st.Time(to) != c.to {
			t.Errorf("%s in %s: %s to %s", c.month, c.zone, st.Time(from), st.Time(to))
		}
		if closing.PeriodOf(from, zone) != period(c.month) || closing.PeriodOf(to, zone) != period(c.month) || closing.PeriodOf(from-1, zone) == period(c.month) ||
			closing.PeriodOf(to+1, zone) == period(c.month) {
			t.Errorf("%s in %s doesn't hold its own ends", c.month, c.zone)
		}
	}
	for _, bad := range []string{"2026-3", "2026-13", "2026", "March", "2026-03-01", ""} {
		if _, err := closing.ParsePeriod(bad); err == nil {
			t.Errorf("%q was taken for a month", bad)
		}
	}
}
