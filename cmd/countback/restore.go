package main

import (
	"archive/tar"
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"filippo.io/age"
	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/sync/authority"
)

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
func openBackup(path, phrase string, f io.ReadSeeker) (*unpacking, error) {
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
	return &unpacking{path, tar.NewReader(zip), zip}, nil
}

// unpacking is a backup as it is read.
type unpacking struct {
	path string
	tar  *tar.Reader
	rest io.Reader // below tar: what stands behind its end are the checksums
}

// next goes on to the next member, which must be the named one.
func (u *unpacking) next(name string) error {
	h, err := u.tar.Next()
	if err != nil {
		return notABackup(u.path, err)
	}
	if h.Name != name {
		return notABackup(u.path, fmt.Errorf("%q stands where %s should", h.Name, name))
	}
	return nil
}

// end reads on to the checksums, without which a backup that was cut short would pass.
func (u *unpacking) end() error {
	if _, err := u.tar.Next(); !errors.Is(err, io.EOF) {
		return notABackup(u.path, errors.New("something stands behind its events"))
	}
	if _, err := io.Copy(io.Discard, u.rest); err != nil {
		return notABackup(u.path, err)
	}
	return nil
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
	head, old, err := pack.head()
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
	if head.Format != backupFormat1 {
		if err := pack.beside(cmd.Context(), s, dir); err != nil {
			return head, err
		}
	}
	if err := pack.insert(cmd.Context(), s, head); err != nil {
		return head, err
	}
	return head, m.succeed(cmd.Context(), s, old, fresh, head.Shop, device)
}

// head reads what the backup is of, and the old device's key.
func (u *unpacking) head() (head backupHead, old *key.Key, err error) {
	path := u.path
	if err := u.next(backupAbout); err != nil {
		return head, nil, err
	}
	b, err := io.ReadAll(io.LimitReader(u.tar, maxAbout))
	if err == nil {
		err = json.Unmarshal(b, &head)
	}
	if err != nil {
		return head, nil, notABackup(path, err)
	}
	if head.Format != backupFormat && head.Format != backupFormat1 {
		return head, nil, &fault{what: fmt.Sprintf("the backup is of format %q, which this program doesn't know", head.Format), where: path, hint: "install the current version of countback", status: statusMachine}
	}
	if err := u.next(keyFile); err != nil {
		return head, nil, err
	}
	seed, err := io.ReadAll(io.LimitReader(u.tar, maxKeyFile))
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

// maxBeside bounds what is read of the authority and the notes: what waits is bounded itself.
const maxBeside = 256 << 20

// beside takes in what stands in a backup beside key and events.
func (u *unpacking) beside(ctx context.Context, s store.Store, dir string) error {
	if err := u.next(authorityFile); err != nil {
		return err
	}
	trusted, err := io.ReadAll(io.LimitReader(u.tar, maxBeside))
	if err != nil {
		return notABackup(u.path, err)
	}
	if len(trusted) > 0 {
		if _, err := authority.Parse(trusted); err != nil {
			return notABackup(u.path, err)
		}
		err := writeNew(filepath.Join(dir, authorityFile), func(w io.Writer) error {
			_, err := w.Write(trusted)
			return err
		})
		if err != nil {
			return err
		}
	}
	if err := u.next(backupNotes); err != nil {
		return err
	}
	in := json.NewDecoder(io.LimitReader(u.tar, maxBeside))
	return s.Write(ctx, func(tx store.Tx) error {
		for {
			var n backupNote
			err := in.Decode(&n)
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				return notABackup(u.path, err)
			}
			if !slices.ContainsFunc(notesKept, func(prefix string) bool { return strings.HasPrefix(n.Key, prefix) }) {
				return notABackup(u.path, fmt.Errorf("it holds a note %q", n.Key))
			}
			if err := tx.SetLocal(n.Key, n.Value); err != nil {
				return err
			}
		}
	})
}

// restoreBatch is the number of events of one transaction; the folder is taken away if a later one fails.
const restoreBatch = 10_000

// insert takes in the events of a backup. The store checks that each continues its log; the whole is audited by verify, as after any copy.
func (u *unpacking) insert(ctx context.Context, s store.Store, head backupHead) error {
	path := u.path
	if err := u.next(backupEvents); err != nil {
		return err
	}
	in := bufio.NewScanner(u.tar)
	in.Buffer(make([]byte, 0, event.MaxLine), event.MaxLine+1)
	var n int64
	for more := true; more; {
		err := s.Write(ctx, func(tx store.Tx) error {
			for range restoreBatch {
				if more = in.Scan(); !more {
					return nil
				}
				n++
				e, err := event.ParseLine(bytes.Clone(in.Bytes()))
				if err != nil {
					return notABackup(path, fmt.Errorf("event %d: %w", n, err))
				}
				if e.Shop != head.Shop {
					return notABackup(path, fmt.Errorf("event %d belongs to another shop", n))
				}
				if _, err := tx.Insert(e); err != nil {
					return err
				}
			}
			return nil
		})
		if errors.Is(err, store.ErrChain) || errors.Is(err, store.ErrFork) {
			return notABackup(path, fmt.Errorf("event %d: %w", n, err))
		}
		if err != nil {
			return err
		}
	}
	if err := in.Err(); err != nil {
		return notABackup(path, err)
	}
	if n != head.Events {
		return notABackup(path, fmt.Errorf("it holds %d of %d events", n, head.Events))
	}
	return u.end()
}
