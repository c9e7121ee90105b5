package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"filippo.io/age"
	"github.com/spf13/cobra"

	"countback/ledger/key"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
)

// A backup is a tar file under gzip, sealed with age (scrypt) where there is a passphrase. Its members, in this order:
//
//	about.json    {"format": "countback-backup-v1", "shop", "name", "device", "made", "events"}
//	device.key    the device's secret
//	events.jsonl  the events as stored, one a line, in the order of arrival
const (
	backupFormat  = "countback-backup-v1"
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
		Long: `Copy the ledger and the key of this device into one new file. Whoever has the file can record as this shop: keep it safe, or seal it with a passphrase
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
	last, err := d.store.Last(d.ctx)
	if err != nil {
		return 0, err
	}
	size := int64(0)
	if err := d.linesTo(last, func(line []byte) error { n++; size += int64(len(line)) + 1; return nil }); err != nil {
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
	}{{backupAbout, head}, {keyFile, seed}} {
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

func (d *desk) member(name string, size int64) *tar.Header {
	return &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600, ModTime: d.now().Truncate(time.Second), Format: tar.FormatPAX}
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

func (m *Main) restoreCmd() *cobra.Command {
	var passFile, device string
	cmd := &cobra.Command{
		Use:   "restore FILE",
		Short: "Take a backup into an empty folder",
		Long: `Take a backup into an empty folder. The desk becomes a new device that succeeds the one that was backed up; the old log is only read from now on, so that two
desks never record under one name. Don't go on with the old folder after that.`,
		Example: "  countback restore fennimoor-2026-03.backup --data ~/countback",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(files)
	cmd.Flags().StringVar(&passFile, "passphrase-file", "", "`file` whose first line is the passphrase")
	cmd.Flags().StringVar(&device, "device", "desk", "`name` of the new device")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		phrase, err := m.passphrase(passFile)
		if err != nil {
			return err
		}
		dir, err := m.folder()
		if err != nil {
			return err
		}
		head, err := m.restore(cmd, args[0], phrase, dir, device)
		if err != nil {
			return err
		}
		return m.tellRestore(dir, head)
	}
	return cmd
}

func (m *Main) tellRestore(dir string, head backupHead) error {
	if m.format == formatTable {
		return m.printTable(fmt.Sprintf("The ledger of %s is in %s, with %s from a backup of %s.", head.Name, dir, count(int(head.Events), "event", "events"), clock(head.Made).show()), nil,
			"This desk is a new device that succeeds the old one. What was recorded after the backup is missing: record it again.\nDon't use the old folder any more.")
	}
	g := &grid{columns: []column{{name: "shop"}, {name: "folder"}, {name: "events"}, {name: "made"}}}
	g.add(plain(head.Name), plain(dir), plain(fmtInt(head.Events)), plain(head.Made))
	return m.report(struct {
		Shop   string `json:"shop"`
		Folder string `json:"folder"`
		Events int64  `json:"events"`
		Made   string `json:"made"`
	}{head.Name, dir, head.Events, head.Made}, "", g, "")
}

// notABackup is the error for a file that isn't one, or not whole.
func notABackup(path string, err error) error {
	f := &fault{what: "it isn't a whole backup of countback", where: path, hint: "take another copy; nothing was restored", status: statusUse, err: err}
	if err != nil {
		f.what += " (" + err.Error() + ")"
	}
	return f
}

// openBackup opens the seal, where there is one.
func openBackup(path, phrase string, f io.ReadSeeker) (*tar.Reader, error) {
	const ageIntro = "age-encryption.org/"
	var start [len(ageIntro)]byte
	_, err := io.ReadFull(f, start[:])
	if err != nil {
		return nil, notABackup(path, err)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	var in io.Reader = f
	if string(start[:]) == ageIntro {
		if phrase == "" {
			return nil, wrong(path, "name the file that holds it with --passphrase-file", "the backup is sealed with a passphrase")
		}
		id, err := age.NewScryptIdentity(phrase)
		if err != nil {
			return nil, err
		}
		if in, err = age.Decrypt(f, id); err != nil {
			return nil, &fault{what: "the passphrase doesn't open the backup", where: path, hint: "check the file of --passphrase-file; nothing was restored", status: statusUse, err: err}
		}
	}
	zip, err := gzip.NewReader(in)
	if err != nil {
		return nil, notABackup(path, err)
	}
	return tar.NewReader(zip), nil
}

// restore makes the ledger of a folder from a backup. What it made is taken away again if it fails.
func (m *Main) restore(cmd *cobra.Command, path, phrase, dir, device string) (head backupHead, err error) {
	f, err := os.Open(path)
	if err != nil {
		return head, err
	}
	defer f.Close()
	pack, err := openBackup(path, phrase, f)
	if err != nil {
		return head, err
	}
	head, old, err := readBackupHead(path, pack)
	if err != nil {
		return head, err
	}
	if err := makeFolder(dir); err != nil {
		return head, err
	}
	defer func() {
		if err != nil {
			clearFolder(dir)
		}
	}()
	fresh, err := key.Generate(m.Entropy)
	if err != nil {
		return head, &fault{what: err.Error(), status: statusMachine, err: err}
	}
	if err := writeKey(dir, fresh); err != nil {
		return head, err
	}
	s, err := sqlite.Create(ledgerPath(dir))
	if err != nil {
		return head, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	if err := insertBackup(cmd.Context(), s, path, pack, head); err != nil {
		return head, err
	}
	return head, m.succeed(cmd.Context(), s, old, fresh, head.Shop, device)
}

// member goes on to the next file of a backup, which must be the named one.
func nextMember(path string, pack *tar.Reader, name string) error {
	h, err := pack.Next()
	if err != nil {
		return notABackup(path, err)
	}
	if h.Name != name {
		return notABackup(path, fmt.Errorf("%q stands where %s should", h.Name, name))
	}
	return nil
}

func readBackupHead(path string, pack *tar.Reader) (head backupHead, old *key.Key, err error) {
	if err := nextMember(path, pack, backupAbout); err != nil {
		return head, nil, err
	}
	b, err := io.ReadAll(io.LimitReader(pack, maxAbout))
	if err == nil {
		err = json.Unmarshal(b, &head)
	}
	if err != nil {
		return head, nil, notABackup(path, err)
	}
	if head.Format != backupFormat {
		return head, nil, &fault{what: fmt.Sprintf("the backup is of format %q, which this program doesn't know", head.Format), where: path, hint: "install the current version of countback", status: statusMachine}
	}
	if err := nextMember(path, pack, keyFile); err != nil {
		return head, nil, err
	}
	seed, err := io.ReadAll(io.LimitReader(pack, maxKeyFile))
	if err != nil {
		return head, nil, notABackup(path, err)
	}
	if old, err = key.FromSeed(seed); err != nil {
		return head, nil, notABackup(path, err)
	}
	if old.Device() != head.Device {
		return head, nil, notABackup(path, errors.New("its key is another device's"))
	}
	return head, old, nil
}
