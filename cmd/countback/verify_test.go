package main

import (
	"database/sql"
	"strings"
	"testing"

	_ "modernc.org/sqlite"
)

// Somebody who can write the file can change an event; verify finds it, says what repairs it, and the exit status says that the machine is at fault.
func TestVerifyFindsAChangedEvent(t *testing.T) {
	b := newBench(t).shop()
	b.must("restock", "board", "2", "box", "--cost", "64", "--at", "2026-01-05")
	b.must("count", "board", "290", "--at", "2026-01-31")
	tamper(t, b.data, `"cost":"64"`, `"cost":"46"`)
	o := b.run("verify")
	if o.status != statusMachine || !strings.Contains(o.out, "doesn't name the hash of the event before it") || !strings.Contains(o.errors, "6 faults were found") ||
		!strings.Contains(o.out, "the signature isn't that of device") || strings.Contains(o.out, "one copy") {
		t.Errorf("status %d\n%s%s", o.status, o.out, o.errors)
	}
	o = b.run("verify", "--signatures", "--json")
	if o.status != statusMachine || !strings.Contains(o.out, "the signature isn't that of device") || !strings.Contains(o.out, `"repair"`) || !strings.Contains(o.out, `"ok": false`) {
		t.Errorf("status %d\n%s%s", o.status, o.out, o.errors)
	}
}

// tamper changes the one event that says something, as whoever can write the file can.
func tamper(t *testing.T, data, from, to string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+ledgerPath(data))
	if err != nil {
		t.Fatal(err)
	}
	var triggers []string
	rows, err := db.Query("SELECT name FROM sqlite_master WHERE type='trigger'")
	if err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		triggers = append(triggers, name)
	}
	for _, name := range triggers {
		if _, err := db.Exec("DROP TRIGGER " + name); err != nil {
			t.Fatal(err)
		}
	}
	r, err := db.Exec(`UPDATE events SET line = CAST(replace(CAST(line AS TEXT), ?1, ?2) AS BLOB) WHERE instr(CAST(line AS TEXT), ?1) > 0`, from, to)
	if err != nil {
		t.Fatal(err)
	}
	if n, _ := r.RowsAffected(); n != 1 {
		t.Fatal("changed", n)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}
