package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Where a desk was revoked, whoever took its place by its key counts no more, until the keeper says how far it is good.
func TestRevokingADeskThatWasReplaced(t *testing.T) {
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	if err := os.WriteFile(filepath.Join(second, machineFile), []byte("x\n"), 0o600); err != nil { // as if it were a copy
		t.Fatal(err)
	}
	b := newBench(t)
	site := newSite(b, "home")
	for range 2 {
		if said, status := site.run(second, "damage", "board", "1", "--reason", "damaged"); status != 0 {
			t.Fatal(said)
		}
	}
	file := filepath.Join(t.TempDir(), "file")
	onFolder(t, second, "handover", file)
	onFolder(t, data, "import", "handover", file)
	wantStock := func(when, n string) {
		t.Helper()
		if out := stockOf(t, data); !strings.Contains(out, `"`+n+`"`) {
			t.Errorf("%s: %s", when, out)
		}
	}
	wantStock("before", "298")
	var said struct{ Successors, Void []string }
	old := deviceCalled(t, data, "attic", true)
	if err := json.Unmarshal([]byte(onFolder(t, data, "revoke", old, "--json")), &said); err != nil || len(said.Void) != 1 || len(said.Successors) != 0 {
		t.Fatal(err, said)
	}
	wantStock("revoked", "300")
	if out := onFolder(t, data, "devices"); !strings.Contains(out, "endorsed by a revoked device, nothing counts") || strings.Contains(out, "replaced") {
		t.Error(out)
	}
	if _, errs, status := tryOn(data, "revoke", said.Void[0]); status != statusUse || !strings.Contains(errs, "revoked already") {
		t.Error(status, errs)
	}
	onFolder(t, data, "revoke", said.Void[0], "--last", "2")
	wantStock("said to be good up to its second event", "299")
	if _, errs, status := tryOn(data, "revoke", said.Void[0], "--last", "3"); status != statusUse || !strings.Contains(errs, "revoked already") {
		t.Error(status, errs)
	}
}

// deviceCalled is the id of a device by its name, that was replaced or not.
func deviceCalled(t *testing.T, data, name string, replaced bool) string {
	t.Helper()
	var r devicesReport
	if err := json.Unmarshal([]byte(onFolder(t, data, "devices", "--json")), &r); err != nil {
		t.Fatal(err)
	}
	for _, l := range r.Devices {
		if l.Name == name && (l.ReplacedBy != "") == replaced {
			return l.Device
		}
	}
	t.Fatalf("no device is called %s: %+v", name, r.Devices)
	return ""
}
