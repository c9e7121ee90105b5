package pages

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// devicePages are about phones and further desks.
var devicePages = []route{
	{pattern: "GET /devices", serve: serveDevices},
	{pattern: "GET /devices/pair", serve: servePairing},
	{pattern: "POST /devices/pair", serve: postPair},
	{pattern: "POST /devices/pair/digits", serve: postDigits},
	{pattern: "POST /devices/pair/end", serve: postEndPairing},
	{pattern: "GET /devices/revoke/{device}", serve: serveRevoke},
	{pattern: "POST /devices/revoke/{device}", serve: postRevoke},
	{pattern: "POST /devices/backup", serve: postBackup},
	{pattern: "POST /devices/handover", serve: postHandover},
}

// Devices is what the pages ask about the shop's devices, and what they can do about them.
type Devices interface {
	// Kept says how the devices stand, and this desk.
	Kept(ctx context.Context) (*Kept, error)
	// Pair makes a code for one device. A code that was made before ends.
	Pair(ctx context.Context) error
	// Pairing is how far the code of this site has come; nil where there is none.
	Pairing(ctx context.Context) (*Pairing, error)
	// Confirm compares the digits that a person has typed and admits the device.
	Confirm(ctx context.Context, digits string) error
	// EndPairing ends the code.
	EndPairing(ctx context.Context) error
	// Revoke ends a device's membership; last is the number of the last of its events that counts, 0 for all that are here.
	Revoke(ctx context.Context, device string, last int64, reason string) error
	// Backup writes ledger and key as one file, sealed where there is a passphrase.
	Backup(ctx context.Context, w io.Writer, passphrase string) error
	// Handover writes the ledger without keys as one file.
	Handover(ctx context.Context, w io.Writer) error
}

// Kept is how safe what was recorded is. Times are RFC 3339, "" for never.
type Kept struct {
	Keeper   string
	IsKeeper bool  // this desk is
	Member   bool  // this desk belongs to the shop
	Unsafe   int64 // events that stand on this disk alone, as far as is known here
	Devices  []KeptDevice
	Waiting  []Stranger

	Backup            string
	Serving           bool
	Door              string
	Buses             []KeptBus
	Clock             string // how this machine's clock stands to the ledger
	Events, Bytes     int64
	DiskLeft          *int64 // bytes; nil: not known
	Folder            string
	Version, Engine   string
	Refused, Deferred int // lines in quarantine; events that wait for others
}

// KeptDevice is one device of the shop.
type KeptDevice struct {
	Device, Name, Role    string
	This, Keeper, Revoked bool
	VoidAfter             int64 // if revoked
	ReplacedBy            string
	Events                int64  // of its log, here
	Lacks                 *int64 // of what is here; nil: it has said nothing
	Unsafe                int64
	LastEvent, Seen       string
	ClockAhead            string
}

// Stranger is a device that nobody has admitted, and how many events wait of it.
type Stranger struct {
	Device string
	Events int64
}

// KeptBus is one bus that this desk goes to.
type KeptBus struct {
	Name string
	Up   bool
	Why  string
}

// Pairing is a code and how far it has come.
type Pairing struct {
	Phase       string // open, greeted, agreed, decided, joined or ended
	Link        string
	Until       time.Time
	Fingerprint string
	Trust       string // where a phone that doesn't know this desk goes first, "" for nowhere
	Name, Role  string // of the device that has brought it
	Left        int    // how often digits may still be wrong
}

func serveDevices(v *view) error {
	k, err := v.desk().Kept(v.ctx())
	if err != nil {
		return err
	}
	return v.render("devices", k)
}

// Sentence says how safe what was recorded is.
func (k *Kept) Sentence() string {
	switch {
	case !k.Member:
		return "This desk doesn't belong to the shop yet."
	case k.Unsafe == 0:
		return "Everything that was recorded is safe: another device holds it too."
	case len(k.Devices) == 1:
		return Count(k.Unsafe, "entry stands", "entries stand") + " on this disk alone. Keep a backup elsewhere, or let a phone join."
	}
	return Count(k.Unsafe, "entry stands", "entries stand") + " on this disk alone, as far as is known here. The others take them when they come in reach; a backup keeps them too."
}

// Standing is what a device is, in words.
func (d KeptDevice) Standing() string {
	var parts []string
	if d.This {
		parts = append(parts, "this desk")
	}
	if d.Keeper {
		parts = append(parts, "keeper")
	}
	if d.ReplacedBy != "" {
		parts = append(parts, "replaced")
	}
	switch {
	case d.Revoked && d.VoidAfter == 0:
		parts = append(parts, "endorsed by a revoked device, nothing counts")
	case d.Revoked:
		parts = append(parts, "revoked after its entry "+Grouped(d.VoidAfter))
	}
	return strings.Join(parts, ", ")
}

// Megabytes writes a number of bytes.
func Megabytes(n int64) string {
	const mib = 1 << 20
	if n < 10*mib {
		return Grouped(n>>10) + " KiB"
	}
	return Grouped(n/mib) + " MiB"
}

// pairingPage is a code as it is shown.
type pairingPage struct {
	*Pairing
	Picture template.HTML
	Problem string
}

func servePairing(v *view) error { return v.showPairing("") }

func (v *view) showPairing(problem string) error {
	p, err := v.desk().Pairing(v.ctx())
	if err != nil {
		return err
	}
	if p == nil {
		return v.redirect("/devices")
	}
	page := pairingPage{Pairing: p, Problem: problem}
	if p.Phase == "open" {
		if page.Picture, err = scannable(p.Link); err != nil {
			return err
		}
	}
	status := http.StatusOK
	if problem != "" {
		status = http.StatusUnprocessableEntity
	}
	return v.renderStatus(status, "pairing", page)
}

func postPair(v *view) error {
	if err := v.desk().Pair(v.ctx()); err != nil {
		return err
	}
	return v.redirect("/devices/pair")
}

func postDigits(v *view) error {
	err := v.desk().Confirm(v.ctx(), v.r.FormValue("digits"))
	var p *Problem
	if errors.As(err, &p) && p.Status == 0 {
		return v.showPairing(p.Error())
	}
	if err != nil {
		return err
	}
	return v.redirect("/devices/pair")
}

func postEndPairing(v *view) error {
	if err := v.desk().EndPairing(v.ctx()); err != nil {
		return err
	}
	return v.redirect("/devices")
}

// revokePage lets a person choose from when on a device isn't believed.
type revokePage struct {
	Device  KeptDevice
	Latest  []ledgerRow // of its own log, the newest first
	Numbers []int64     // of the rows
	Whole   bool        // all of its events that are here count
	Last    string      // as typed
	Reason  string
	Problem string
}

func serveRevoke(v *view) error { return v.showRevoke("true", "", "lost", "") }

func (v *view) showRevoke(whole, last, reason, problem string) error {
	k, err := v.desk().Kept(v.ctx())
	if err != nil {
		return err
	}
	id := v.r.PathValue("device")
	p := revokePage{Whole: whole != "false", Last: last, Reason: reason, Problem: problem}
	for _, d := range k.Devices {
		if d.Device == id {
			p.Device = d
		}
	}
	if p.Device.Device == "" {
		return NotFound("no device of this shop is called %q", id)
	}
	st, _, err := v.desk().Store(v.ctx())
	if err != nil {
		return err
	}
	all, devices, err := v.site.index.read(v.ctx(), st)
	if err != nil {
		return err
	}
	const some = 12
	byPlace := map[int64]*entry{}
	for _, x := range all {
		if x.device == id && x.seq > p.Device.Events-some {
			byPlace[x.seq] = x
		}
	}
	var list []*entry
	for seq := p.Device.Events; seq > 0; seq-- {
		if x := byPlace[seq]; x != nil {
			list, p.Numbers = append(list, x), append(p.Numbers, seq)
		}
	}
	if p.Latest, err = v.rows(st, list, devices, ""); err != nil {
		return err
	}
	status := http.StatusOK
	if problem != "" {
		status = http.StatusUnprocessableEntity
	}
	return v.renderStatus(status, "revoke", p)
}

func postRevoke(v *view) error {
	whole, text, reason := v.r.FormValue("whole"), strings.TrimSpace(v.r.FormValue("last")), strings.TrimSpace(v.r.FormValue("reason"))
	last := int64(0)
	if whole == "false" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || n < 1 {
			return v.showRevoke(whole, text, reason, "give the number of the last of its entries that counts")
		}
		last = n
	}
	if reason == "" {
		return v.showRevoke(whole, text, reason, "say why, in a word: lost, sold, broken")
	}
	err := v.desk().Revoke(v.ctx(), v.r.PathValue("device"), last, reason)
	var p *Problem
	if errors.As(err, &p) && p.Status == 0 {
		return v.showRevoke(whole, text, reason, p.Error())
	}
	if err != nil {
		return err
	}
	return v.redirect("/devices")
}

func postBackup(v *view) error {
	phrase, again := v.r.FormValue("passphrase"), v.r.FormValue("again")
	if phrase != again {
		return &Problem{What: "the two passphrases differ, so no backup was written", Hint: "go back and type it twice; without one the backup opens to nobody"}
	}
	return v.download("backup", func(w io.Writer) error { return v.desk().Backup(v.ctx(), w, phrase) })
}

func postHandover(v *view) error {
	return v.download("handover", func(w io.Writer) error { return v.desk().Handover(v.ctx(), w) })
}

// download sends a file that is written while it is sent. If that fails in the middle the connection is broken, so that no browser takes a part for the whole.
func (v *view) download(kind string, write func(io.Writer) error) error {
	name := fmt.Sprintf("%s-%s.%s", fileWord(v.look.Shop.Name), v.look.Today(), kind)
	h := v.w.Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
	h.Set("Cache-Control", "no-store")
	w := &begun{w: v.w}
	err := write(w)
	if err == nil || v.ctx().Err() != nil {
		return nil
	}
	if !w.yes {
		h.Del("Content-Disposition")
		return err
	}
	if v.site.opts.Fault != nil {
		v.site.opts.Fault(err)
	}
	panic(http.ErrAbortHandler)
}

// begun knows whether anything was written.
type begun struct {
	w   io.Writer
	yes bool
}

func (b *begun) Write(p []byte) (int, error) {
	b.yes = true
	return b.w.Write(p)
}

// fileWord makes a name fit for files of every system.
func fileWord(name string) string {
	word := strings.Trim(strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, name), "-")
	if word == "" {
		return "ledger"
	}
	return word
}

// Size is the size of the ledger's file.
func (k *Kept) Size() string { return Megabytes(k.Bytes) }

// Left is what the disk has left, "" where that isn't known.
func (k *Kept) Left() string {
	if k.DiskLeft == nil {
		return ""
	}
	return Megabytes(*k.DiskLeft)
}
