package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"filippo.io/age"
	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/store"
)

// A backup is a tar file under gzip, sealed with age (scrypt) where there is a passphrase. Its members, in this order:
//
//	about.json     {"format": "countback-backup-v2", "shop", "name", "device", "made", "events"}
//	device.key     the device's secret
//	authority.pem  the certificate authority of the desk's door with its key, so that phones trust the restored desk as well; empty if no door was ever opened
//	notes.jsonl    {"key", "value"} of the ledger's notes that may be facts which stand nowhere else, receipts, and the desks that this one goes to
//	events.jsonl   the events as stored, one a line, in the order of arrival
//
// The first version had neither authority nor notes. It is still read.
const (
	backupFormat  = "countback-backup-v2"
	backupFormat1 = "countback-backup-v1"
	backupNotes   = "notes.jsonl"
	backupAbout   = "about.json"
	backupEvents  = "events.jsonl"
	maxPassphrase = 4096
	maxAbout      = 1 << 16
)

type backupHead struct {
	Format string `json:"format"`
	Shop   string `json:"shop"`
	Name   string `json:"name"`
	Device string `json:"device"`
	Made   string `json:"made"`
	Events int64  `json:"events"`
}

func (m *Main) backupCmd() *cobra.Command {
	var passFile string
	cmd := &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy ledger and key into one file",
		Long: `Copy the ledger, the key of this device and what phones trust it by into one new file. Whoever has the file can record as this shop: keep it safe, or seal it with a passphrase
that stands in a file of its own (--passphrase-file).`,
		Example: "  countback backup /media/stick/fennimoor-2026-03.backup --passphrase-file phrase.txt",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(files)
	cmd.Flags().StringVar(&passFile, "passphrase-file", "", "`file` whose first line is the passphrase")
	cmd.RunE = m.writing(func(d *desk, args []string) error {
		phrase, err := m.passphrase(passFile)
		if err != nil {
			return err
		}
		var n int64
		err = writeNew(args[0], func(w io.Writer) error {
			n, err = d.writeBackup(w, phrase)
			return err
		})
		if err != nil {
			return err
		}
		if err := keepNote(d.ctx, d.store, noteBackup, []byte(d.now().Format(time.RFC3339))); err != nil {
			return err
		}
		return m.tellBackup(args[0], n, phrase != "")
	})
	return cmd
}

func (m *Main) tellBackup(path string, n int64, sealed bool) error {
	out := struct {
		File   string `json:"file"`
		Events int64  `json:"events"`
		Sealed bool   `json:"sealed"`
	}{path, n, sealed}
	if m.format != formatTable {
		g := &grid{columns: []column{{name: "file"}, {name: "events"}, {name: "sealed"}}}
		g.add(plain(path), plain(fmtInt(n)), plain(fmt.Sprint(sealed)))
		return m.report(out, "", g, "")
	}
	if err := m.say("%s: %s and the key of this device.", path, count(int(n), "event", "events")); err != nil || sealed {
		return err
	}
	return m.say("It isn't sealed: whoever has it can record as this shop. Keep it where nobody else looks, or use --passphrase-file.")
}

// passphrase reads the first line of a file; "" stands for none.
func (m *Main) passphrase(path string) (string, error) {
	if path == "" {
		return "", nil
	}
	b, err := m.readFile(path, maxPassphrase)
	if err != nil {
		return "", err
	}
	line, _, _ := strings.Cut(string(b), "\n")
	line = strings.TrimSuffix(line, "\r")
	if line == "" {
		return "", wrong(path, "write the passphrase into its first line", "the first line is empty")
	}
	return line, nil
}

func (d *desk) writeBackup(w io.Writer, phrase string) (n int64, err error) {
	if phrase != "" {
		to, err := age.NewScryptRecipient(phrase)
		if err != nil {
			return 0, err
		}
		sealed, err := age.Encrypt(w, to)
		if err != nil {
			return 0, err
		}
		defer func() { err = errors.Join(err, sealed.Close()) }()
		w = sealed
	}
	zip := gzip.NewWriter(w)
	pack := tar.NewWriter(zip)
	if n, err = d.backupMembers(pack); err != nil {
		return 0, err
	}
	return n, errors.Join(pack.Close(), zip.Close())
}

// backupMembers writes the members. A tar file names sizes before contents, and others may record meanwhile: so the events up to one number are gone through twice.
func (d *desk) backupMembers(pack *tar.Writer) (n int64, err error) {
	notes, err := d.backedUpNotes() // before the events: what waited may be in a log a moment later
	if err != nil {
		return 0, err
	}
	trusted, err := os.ReadFile(filepath.Join(d.dir, authorityFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, err
	}
	last, err := d.store.Last(d.ctx)
	if err != nil {
		return 0, err
	}
	size := int64(0)
	whole := unbroken{}
	if err := d.linesTo(last, func(line []byte) error {
		n++
		size += int64(len(line)) + 1
		if err := whole.add(line); err != nil {
			return store.Fail("back up", ledgerPath(d.dir), store.ErrDamaged, err)
		}
		return nil
	}); err != nil {
		return 0, err
	}
	head, err := json.Marshal(backupHead{backupFormat, d.shopID, d.shop.Name, d.key.Device(), d.now().Format(time.RFC3339), n})
	if err != nil {
		return 0, err
	}
	seed, err := d.key.Seed()
	if err != nil {
		return 0, err
	}
	for _, f := range []struct {
		name string
		body []byte
	}{{backupAbout, head}, {keyFile, seed}, {authorityFile, trusted}, {backupNotes, notes}} {
		if err := pack.WriteHeader(d.member(f.name, int64(len(f.body)))); err != nil {
			return 0, err
		}
		if _, err := pack.Write(f.body); err != nil {
			return 0, err
		}
	}
	if err := pack.WriteHeader(d.member(backupEvents, size)); err != nil {
		return 0, err
	}
	return n, d.linesTo(last, func(line []byte) error {
		_, err := pack.Write(append(bytes.Clone(line), '\n'))
		return err
	})
}

// notesKept are the notes that a backup holds: events aside and waiting, receipts, other desks. How far a bus was read isn't among them: it would have to fit the
// events exactly. Nor is a pairing that is open.
var notesKept = []string{"sync/aside/", "sync/wait/", "sync/held/", "pair/peer/"}

type backupNote struct {
	Key   string `json:"key"`
	Value []byte `json:"value"`
}

func (d *desk) backedUpNotes() ([]byte, error) {
	var b bytes.Buffer
	for _, prefix := range notesKept {
		err := d.store.Local(d.ctx, prefix, func(key string, value []byte) error { return json.NewEncoder(&b).Encode(backupNote{key, value}) })
		if err != nil {
			return nil, err
		}
	}
	return b.Bytes(), nil
}

func (d *desk) member(name string, size int64) *tar.Header {
	return &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600, ModTime: d.now().Truncate(time.Second), Format: tar.FormatPAX}
}

// unbroken is the end of each log, by device. A damaged ledger isn't backed up: nobody could take such a backup in, and it might take the place of a good one.
type unbroken map[string]store.Head

// add takes an event that continues its log.
func (u unbroken) add(line []byte) error {
	e, err := event.ParseLine(bytes.Clone(line))
	if err != nil {
		return err
	}
	head, ok := u[e.Device]
	if !ok {
		head = store.EmptyHead
	}
	if e.Seq != head.Seq+1 || e.Prev != head.Hash {
		return fmt.Errorf("event %s doesn't continue its log", e.ID)
	}
	u[e.Device] = store.Head{Seq: e.Seq, Hash: e.Hash}
	return nil
}

var errEnough = errors.New("enough")

// linesTo goes through the events up to a number of arrival.
func (d *desk) linesTo(last int64, fn func([]byte) error) error {
	err := d.store.Scan(d.ctx, 0, func(r store.Row) error {
		if r.N > last {
			return errEnough
		}
		return fn(r.Line)
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}
