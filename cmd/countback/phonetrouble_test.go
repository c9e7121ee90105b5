package main

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"countback/cmd/recorder/browser"
)

// saved lets the page save the ledger as a file, and returns the file.
func (c *cart) saved() string {
	c.t.Helper()
	folder, file := c.t.TempDir(), ""
	c.do(c.Downloads(folder), c.Go("#phone"), c.Tap("Save the ledger as a file"), c.See("Saved as fennimoor-paper-"))
	eventually(c.t, "the file is there", func() bool {
		found, err := filepath.Glob(filepath.Join(folder, "*.countback"))
		if err == nil && len(found) == 1 {
			file = found[0]
		}
		return file != ""
	})
	return file
}

// A phone is revoked while somebody works with it: it says so, takes no more, shows what was recorded, and hands over as a file what the desk didn't have.
func TestAPhoneThatIsRevoked(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("left on a bench")
	c.do(c.Tap("To the items"), c.Tap("Board stiffener"), c.Keys("2"), c.Tap("Write-off"), c.Tap("Damaged"), c.See("Recorded"))
	sent := []string{`damage {"item":"board","qty":"2","reason":"damaged"}`}
	c.holds("left on a bench", sent)
	c.do(c.See("All entries of this phone are safe"))
	c.wire.Cut()
	c.do(c.Tap("Next item"), c.Tap("Cotton cord"), c.Keys("9"), c.Tap("Write-off"), c.Tap("Sample"), c.See("1 entry is only on this phone"))
	c.do(c.Tap("Next item"), c.Tap("Paper seal"), c.Keys("31"), c.See("31 pieces"))
	onFolder(t, c.data, "revoke", "left on a bench", "--reason", "lost")
	c.wire.Mend()

	c.do(c.See("This phone was shut out of the shop"), c.See("can be saved as a file, under About this phone"), c.See("31 pieces"))
	if on, err := browser.Eval[bool](c.Phone, `[...document.querySelectorAll(".verb")].every(b => b.disabled)`); err != nil || !on {
		t.Error("something can be recorded on a phone that was revoked", err)
	}
	c.do(c.Tap("Entries"), c.See("Damaged: 2 Board stiffener"), c.See("Sample: 9 mm Cotton cord"))
	if on, err := browser.Eval[bool](c.Phone, `[...document.querySelectorAll(".entry-line button")].every(b => b.disabled)`); err != nil || !on {
		t.Error("something can be taken back on a phone that was revoked", err)
	}
	c.do(c.Reload(), c.Ready(), c.See("This phone was shut out of the shop"), c.See("1 entry is only on this phone"), c.Tap("About this phone"))
	file := c.saved()
	c.serve.stop()
	c.holds("left on a bench", sent)
	onFolder(t, c.data, "import", "handover", file)
	c.holds("left on a bench", append(sent, `damage {"item":"cord","qty":"9","reason":"sample"}`))
	if out := onFolder(t, c.data, "review"); !strings.Contains(out, "after the event up to which the device was trusted") {
		t.Errorf("what was only on the phone isn't laid before the keeper:\n%s", out)
	}
}

// A network that takes everything and answers nothing holds nobody up: what is recorded is kept here, said to be only here, and safe once something passes again.
func TestAPhoneOnAStalledNetwork(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("far end of the shed")
	c.do(c.Tap("To the items"), c.See("Board stiffener"), c.See("Nothing recorded on this phone yet"))
	c.wire.Hold()
	c.do(c.Tap("Board stiffener"), c.Keys("4"), c.Tap("Write-off"), c.Tap("Damaged"), c.See("Recorded"), c.See("1 entry is only on this phone"))
	c.holds("far end of the shed", nil)
	c.wire.Mend()
	c.do(c.See("All entries of this phone are safe"))
	c.holds("far end of the shed", []string{`damage {"item":"board","qty":"4","reason":"damaged"}`})
}

// A phone whose clock is five hours ahead joins and records, and says by how much its clock is off.
func TestAPhoneWhoseClockIsOff(t *testing.T) {
	const ahead = `{ const Real = Date, ahead = 5 * 3600 * 1000; globalThis.Date = class extends Real {
		constructor(...args) { if (args.length) super(...args); else super(Real.now() + ahead); }
		static now() { return Real.now() + ahead; }
	}; }
`
	c := newCart(t, paperShop(t))
	c.serve.stop()
	c.openWith(otherVersion(t, "carrier.js", "importScripts", ahead+"importScripts")) // the page's worker has a clock of its own
	c.do(c.EachTime(ahead))
	c.join("five hours ahead")
	c.do(c.Tap("To the items"), c.Tap("Board stiffener"), c.Keys("2"), c.Tap("Write-off"), c.Tap("Damaged"), c.See("Recorded"))
	c.do(c.See("This phone's clock is 5 hours ahead of the desk's. Set it right"), c.See("All entries of this phone are safe"))
	c.holds("five hours ahead", []string{`damage {"item":"board","qty":"2","reason":"damaged"}`})
	at, err := time.Parse(time.RFC3339, c.events("five hours ahead")[0]["time"].(string))
	if off := time.Until(at); err != nil || off < 4*time.Hour {
		t.Errorf("the entry is dated %s from now, so the clock wasn't off: %v", off, err)
	}
}

// A phone that has lost all that it kept belongs to no shop again, and joins anew, as another device; the desk keeps what was sent.
func TestAPhoneThatWasWiped(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("before")
	c.do(c.Tap("To the items"), c.Tap("Board stiffener"), c.Keys("2"), c.Tap("Write-off"), c.Tap("Damaged"), c.See("Recorded"))
	sent := []string{`damage {"item":"board","qty":"2","reason":"damaged"}`}
	c.holds("before", sent)
	c.do(c.Wipe("https://" + c.wire.Address()))
	c.join("after") // which begins with the words of a phone that belongs to no shop
	c.do(c.Tap("To the items"), c.See("Board stiffener"))
	eventually(t, "the phone shows what it had sent before", func() bool { return c.figure("board") == "298" })
	c.do(c.Tap("Board stiffener"), c.Keys("3"), c.Tap("Write-off"), c.Tap("Gift"), c.See("Recorded"), c.See("295 pieces"))
	c.holds("after", []string{`damage {"item":"board","qty":"3","reason":"gift"}`})
	c.holds("before", sent)
}

// The desk is lost for good. The phone gives the ledger as a file, a new desk begins with it, and the phone makes that one the keeper and goes on.
func TestThePhoneMakesANewDeskTheKeeper(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("the one that is left")
	c.do(c.Tap("To the items"), c.See("Board stiffener"))
	c.serve.stop()
	c.do(c.Tap("Board stiffener"), c.Keys("9"), c.Tap("Write-off"), c.Tap("Sample"), c.See("1 entry is only on this phone"))
	file := c.saved()
	c.Close()

	c.data = filepath.Join(t.TempDir(), "new desk")
	onFolder(t, c.data, "init", "--from", file)
	c.open()
	c.begin() // with the new desk's certificate installed
	pair := start(t, c.data, nil, "pair")
	_, code, _ := strings.Cut(pair.hear(linkPattern), "/#")
	c.do(c.Open(c.at("#items")), c.Ready(), c.See("Board stiffener"), c.Go("#"+code), c.See("A new desk asks to become the keeper of Fennimoor Paper"), c.Tap("The old desk is lost"))
	digits := pair.hear(`Type these digits at "the one that is left": (\d{3} \d{3})`)
	wrong := "000 000"
	if digits == wrong {
		wrong = "000 001"
	}
	c.do(c.Type("The six digits", wrong), c.Tap("Make it the keeper"), c.Until("wrong digits are refused", `document.querySelector("#main .wrong")?.textContent`))
	c.do(c.Type("The six digits", digits), c.Tap("Make it the keeper"), c.See("The new desk is the keeper now"))
	if s := pair.end(); s != 0 {
		t.Fatal(pair.all())
	}
	c.do(c.Tap("To the items"), c.See("All entries of this phone are safe"), c.Tap("Board stiffener"), c.Keys("1"), c.Tap("Write-off"), c.Tap("Gift"), c.See("290 pieces"))
	c.holds("the one that is left", []string{`damage {"item":"board","qty":"9","reason":"sample"}`, `damage {"item":"board","qty":"1","reason":"gift"}`})
}

// A browser that doesn't trust the desk shows a warning and no recorder. Whoever passes over it is told what that means; where the desk is trusted the page is
// stored, and opens without it.
func TestACertificateThatIsNotTrusted(t *testing.T) {
	c := newCart(t, paperShop(t))
	stranger, err := browser.Start(t.Context(), browser.Options{Folder: filepath.Join(t.TempDir(), "stranger")})
	c.do(err)
	t.Cleanup(stranger.Close)
	if err := stranger.Open(c.at("")); err == nil || !strings.Contains(err.Error(), "ERR_CERT_AUTHORITY_INVALID") {
		t.Errorf("the desk was opened without trust: %v", err)
	}
	c.do(stranger.PassOver(), stranger.Open(c.at("")), stranger.Ready(), stranger.See("This phone doesn't trust the desk yet"), stranger.See("Load the certificate there"))

	c.do(c.Open(c.at("")), c.Ready(), c.Until("the page is stored", `navigator.serviceWorker.ready.then(r => !!r.active && !!navigator.serviceWorker.controller)`))
	c.wire.Cut()
	c.do(c.Reload(), c.Ready(), c.See("belongs to no shop yet"), c.Gone("This phone doesn't trust the desk yet"))
}

// Where the phone's storage is full nothing is recorded, the page says so and keeps what was typed; once there is room again the same tap records it, once.
func TestAPhoneWhoseStorageIsFull(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("full")
	site := "https://" + c.wire.Address()
	c.do(c.Tap("To the items"), c.See("Board stiffener"), c.See("300 pieces"), c.Kill())
	c.begin() // the browser asks anew how much room there is
	c.do(c.Quota(site, 1), c.Open(c.at("#item/board")), c.Ready(), c.Keys("2"), c.Tap("Write-off"), c.Tap("Damaged"), c.See("Nothing was recorded; free some space on this phone"))
	c.do(c.Quota(site, 0), c.Tap("Damaged"), c.See("Recorded"), c.See("298 pieces"))
	c.holds("full", []string{`damage {"item":"board","qty":"2","reason":"damaged"}`})
}
