package main

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
)

// Bad input is refused whole: exit status 2, one line that says what is wrong, where, and what to do, the same as an object with --json, and a ledger whose bytes
// are those from before.
func TestBadInputIsRefusedAndNothingRecorded(t *testing.T) {
	b := newBench(t).shop()
	b.must("item", "fern-set", "--name", "Five ferns", "--type", "prepared", "--unit", "each", "--part", "fern-card=5", "--at", "2026-01-01")
	restock := b.id(b.must("restock", "board", "2", "box", "--cost", "64", "--at", "2026-01-05"))
	order := b.file("order.jsonl", `{"kind":"order","time":"2026-01-06T12:00:00-04:00","data":{"order":"7","zone":"home","lines":[{"item":"fern-card","qty":"2"}]}}`+"\n")
	b.must("record", order)
	b.must("restock", "cord", "1", "spool", "--cost", "9", "--at", "2026-01-05")
	wrongOne := b.id(b.must("damage", "board", "1", "--reason", "sample", "--at", "2026-01-08"))
	reversal := b.id(b.must("reverse", wrongOne, "--reason", "entered twice", "--at", "2026-01-08"))
	before := b.must("export", "events")

	fact := func(kind, data string) string {
		return `{"kind":"` + kind + `","time":"2026-02-02T12:00:00-04:00","data":` + data + `}`
	}
	good := fact("damage", `{"item":"board","qty":"1","reason":"sample"}`)
	type line struct {
		name  string
		args  []string
		words []string
	}
	cases := []line{
		{"a unit of another kind", []string{"restock", "cord", "10", "kg", "--cost", "1"}, []string{"cord", `"kg"`, "mm, spool, wrap"}},
		{"a unit that doesn't convert, in a count", []string{"count", "board", "300", "mm"}, []string{"board", `"mm"`, "each, box"}},
		{"a weight of what has none", []string{"count", "board", "--gross", "300", "--tare", "20"}, []string{"board", "piece_weight"}},
		{"an unknown item", []string{"restock", "bord", "1", "--cost", "1"}, []string{`"bord"`, "board"}},
		{"an unknown item in a pack", []string{"pack", "8", "fern-crd=1", "--to", "home"}, []string{`"fern-crd"`, "fern-card"}},
		{"an unknown item in a change", []string{"pack", "7", "--with", "crod=1"}, []string{`"crod"`, "cord"}},
		{"an unknown item in a return", []string{"return", "7", "fern-car=1", "--condition", "scrap"}, []string{`"fern-car"`, "fern-card"}},
		{"a pack that the item lacks", []string{"restock", "board", "1", "crate", "--cost", "1"}, []string{`"crate"`, "each, box"}},
		{"a measure that the item lacks", []string{"damage", "cord", "2", "bow", "--reason", "sample"}, []string{`"bow"`, "wrap"}},
		{"nothing", []string{"damage", "board", "0", "--reason", "sample"}, []string{"N: ", "above 0"}},
		{"nothing came", []string{"restock", "board", "0", "--cost", "1"}, []string{"N: ", "expected"}},
		{"below zero", []string{"count", "board", "-1"}, []string{"-1", "below 0", "reverse"}},
		{"goods below zero", []string{"pack", "7", "fern-card=-1"}, []string{"-1 of fern-card", "1 or more"}},
		{"part of a good", []string{"pack", "7", "fern-card=1.5"}, []string{"1.5 of fern-card", "whole"}},
		{"not a number", []string{"count", "board", "NaN"}, []string{`"NaN"`, "write only digits"}},
		{"without end", []string{"count", "board", "Infinity"}, []string{`"Infinity"`, "write only digits"}},
		{"an exponent", []string{"count", "board", "1e5"}, []string{`"1e5"`, "write the number out"}},
		{"an exponent of goods", []string{"pack", "7", "fern-card=1E+5"}, []string{`"1E+5"`, "write the number out"}},
		{"too many places", []string{"count", "cord", "0.0000001"}, []string{`"0.0000001"`, "at most 6 digits"}},
		{"too many digits", []string{"count", "cord", "1234567890123"}, []string{`"1234567890123"`, "at most 12 digits"}},
		{"a decimal comma", []string{"count", "board", "1,5"}, []string{`"1,5"`, "at most one point"}},
		{"money with too many places", []string{"restock", "board", "1", "--cost", "1.123456789"}, []string{"--cost", "at most 8 digits"}},
		{"money that is no number", []string{"restock", "board", "1", "--cost", "NaN"}, []string{"--cost", `"NaN"`}},
		{"money below zero", []string{"restock", "board", "1", "--cost", "-1"}, []string{"--cost", "below 0", nothing}},
		{"freight below zero", []string{"restock", "board", "1", "--cost", "1", "--freight", "-1"}, []string{"--freight", "below 0", nothing}},
		{"a discount above the cost", []string{"restock", "board", "1", "--cost", "1", "--discount", "2"}, []string{"discount", "above"}},
		{"a prepared piece counted alone", []string{"count", "fern-set", "3"}, []string{"fern-set", "session", "fern-card"}},
		{"a reversal of a reversal", []string{"reverse", reversal, "--reason", "not twice"}, []string{reversal, "can't be reversed", "record again"}},
		{"a reversal of what isn't here", []string{"reverse", "01KJPWDMX05F6YMVZZMZ1R4DV3", "--reason", "x"}, []string{"01KJPWDMX05F6YMVZZMZ1R4DV3", "copy the id"}},
		{"a decision on what is no pack", []string{"decide", restock, "keep"}, []string{restock, "not pack", "copy the id"}},
		{"a far future", []string{"count", "board", "3", "--at", "2031-01-01"}, []string{"--at: 2031-01-01", "future", "correct the date"}},
		{"the last year", []string{"pack", "7", "--at", "9999-12-31T00:00:00Z"}, []string{"--at: 9999-12-31", "future", "correct the date"}},
		{"no such day", []string{"count", "board", "3", "--at", "2026-02-30"}, []string{"--at", `"2026-02-30"`, "write a day"}},
		{"no such day to report", []string{"stock", "--as-of", "2026-02-30"}, []string{"--as-of", `"2026-02-30"`, "write a day"}},
		{"a second init", []string{"init", "--shop", "Another", "--currency", "EUR", "--zone", "Europe/Berlin"}, []string{b.data, "here already", "--data"}},
		{"another unit for an item", []string{"item", "cord", "--unit", "each"}, []string{"cord", "mm"}},
		{"a pack of nothing", []string{"item", "board", "--pack", "box=0"}, []string{"packs.box", "above 0"}},
		{"a return of an order that never was", []string{"return", "99", "fern-card=1", "--condition", "scrap"}, []string{"order 99", "check the number"}},
		{"a pack of an order that never was", []string{"pack", "99"}, []string{"order 99", "take the orders in"}},
	}
	for _, c := range []struct{ name, text string }{
		{"unknown item", fact("count", `{"item":"bord","qty":"1"}`) + "\tdata?\titem bord\tboard"},
		{"a number without quotes", fact("count", `{"item":"board","qty":1}`) + "\tqty\twithout quotes\tin quotes"},
		{"zero", fact("damage", `{"item":"board","qty":"0","reason":"sample"}`) + "\tqty\tabove 0\tabove 0"},
		{"below zero", fact("count", `{"item":"board","qty":"-1"}`) + "\tqty\tbelow 0\t"},
		{"minus zero", fact("count", `{"item":"board","qty":"-0"}`) + "\tqty\t-0\t"},
		{"not a number", fact("count", `{"item":"board","qty":"NaN"}`) + "\tqty\tNaN\twrite only digits"},
		{"an exponent", fact("count", `{"item":"board","qty":"1e5"}`) + "\tqty\t1e5\twrite only digits"},
		{"too many places", fact("count", `{"item":"board","qty":"1.0000001"}`) + "\tqty\t1.0000001\tat most 6"},
		{"a pack that the item lacks", fact("restock", `{"lines":[{"item":"board","qty":"1","pack":"crate","cost":"1"}]}`) + "\tlines[0].pack\tcrate\tbox"},
		{"a unit that isn't one", fact("count", `{"item":"board","gross":"3","tare":"1","weight_unit":"stone"}`) + "\tweight_unit\tstone\tone of"},
		{"a reversal of a reversal", fact("reverse", `{"event":"`+reversal+`","reason":"x"}`) + "\tevent\t" + reversal + "\trecord again"},
		{"a far future", strings.Replace(good, "2026-02-02", "2031-02-02", 1) + "\ttime\tfuture\tcorrect the date"},
		{"a day without a time", strings.Replace(good, "T12:00:00-04:00", "", 1) + "\ttime\t2026-02-02\t"},
		{"a doubled name", fact("count", `{"item":"board","item":"cord","qty":"1"}`) + "\titem\ttwice\t"},
		{"an unknown field", fact("count", `{"item":"board","qty":"1","colour":"red"}`) + "\tcolour\tcolour\t"},
		{"a device event", fact("device", `{"name":"x"}`) + "\tkind\tdevice\t"},
		{"cut off", good[:40] + "\tline 2\t\t"},
	} {
		parts := strings.Split(c.text, "\t")
		words := []string{"facts.jsonl, line 2"}
		for _, w := range parts[1:] {
			if w != "" && w != "data?" {
				words = append(words, w)
			}
		}
		path := b.file(strings.ReplaceAll(c.name, " ", "-")+"-facts.jsonl", good+"\n"+parts[0]+"\n"+good+"\n")
		cases = append(cases, line{"fact: " + c.name, []string{"record", path}, words})
	}
	for _, c := range cases {
		b.t = t
		b.refused(statusUse, c.args, c.words...)
		o := b.run(append(c.args, "--json")...)
		_, object, _ := strings.Cut(o.errors, "\n")
		var said struct{ Error failed }
		if err := json.Unmarshal([]byte(object), &said); err != nil || said.Error.What == "" || o.status != statusUse || o.out != "" {
			t.Errorf("%s, with --json: status %d, %q, %v", c.name, o.status, o.errors, err)
		}
		if b.must("export", "events") != before {
			t.Fatalf("%s: something was recorded", c.name)
		}
	}
	// What is refused stays refused after good entries, and good entries are still taken.
	b.must("count", "board", "299")
	if b.must("export", "events") == before {
		t.Error("a good count wasn't recorded")
	}
	b.must("verify")
}

// A ledger file that lost its end, or one of its bytes, is a fault of the machine for every command that reads or records, and no command makes it worse.
func TestDamagedFilesAreLeftAsTheyAre(t *testing.T) {
	b := newBench(t).shop()
	for i := range 30 {
		b.must("restock", "board", "1", "box", "--cost", "32", "--at", "2026-01-0"+string(rune('1'+i%9)))
	}
	whole, err := os.ReadFile(ledgerPath(b.data))
	if err != nil {
		t.Fatal(err)
	}
	fact := b.file("x.jsonl", `{"kind":"damage","time":"2026-02-02T12:00:00-04:00","data":{"item":"board","qty":"1","reason":"sample"}}`)
	for _, c := range []struct {
		name  string
		file  []byte
		opens bool // the file is whole to look at, and what stands in it isn't
	}{
		{"the last page is gone", whole[:len(whole)-4096], false},
		{"half a page is gone", whole[:len(whole)-2048], true},
		{"only the head", whole[:4096], false},
		{"the head is overwritten", append(make([]byte, 100), whole[100:]...), false},
	} {
		for _, end := range []string{"-wal", "-shm"} {
			os.Remove(ledgerPath(b.data) + end)
		}
		if err := os.WriteFile(ledgerPath(b.data), c.file, 0o600); err != nil {
			t.Fatal(err)
		}
		for _, args := range [][]string{{"stock"}, {"cost"}, {"history", "board"}, {"review"}, {"pack", "--open"}, {"backup", b.dir + "/copy"}, {"count", "board", "5"}, {"record", fact}} {
			o := b.run(args...)
			if o.status == statusDone && c.opens && args[0] == "record" {
				continue // it needs to read the end of its log only
			}
			if o.status != statusMachine || strings.Count(o.errors, "\n") != 1 || !strings.Contains(o.errors, "damaged") || !strings.Contains(o.errors, "restore") {
				t.Errorf("%s, countback %s: status %d, %s%s", c.name, args[0], o.status, o.out, o.errors)
			}
		}
		now, err := os.ReadFile(ledgerPath(b.data))
		if err != nil || !c.opens && string(now) != string(c.file) {
			t.Errorf("%s: the file was changed, %v", c.name, err)
		}
		if _, err := os.Stat(b.dir + "/copy"); err == nil {
			t.Errorf("%s: a backup of it was made", c.name)
		}
	}
	for _, end := range []string{"-wal", "-shm"} {
		os.Remove(ledgerPath(b.data) + end)
	}
	if err := os.WriteFile(ledgerPath(b.data), whole, 0o600); err != nil {
		t.Fatal(err)
	}
	b.must("verify")
}
