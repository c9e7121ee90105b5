package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"countback/ledger/key"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
)

// What stands in the data folder.
const (
	ledgerFile = "ledger.db"
	keyFile    = "device.key" // the secret of this device; 0600, in no export
)

func ledgerPath(dir string) string { return filepath.Join(dir, ledgerFile) }
func keyPath(dir string) string    { return filepath.Join(dir, keyFile) }

// makeFolder makes the folder for a ledger. It refuses one that holds anything.
func makeFolder(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	if _, err := os.Lstat(ledgerPath(dir)); err == nil {
		return wrong(dir, "use it as it is, or start another one in another folder with --data FOLDER", "a ledger is here already")
	}
	list, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	if len(list) > 0 {
		return wrong(dir, "name an empty folder with --data FOLDER", "the folder isn't empty (it holds %s)", list[0].Name())
	}
	return nil
}

// openStore opens the ledger of a folder.
func (m *Main) openStore(dir string) (*sqlite.Store, error) {
	if _, err := os.Stat(ledgerPath(dir)); errors.Is(err, fs.ErrNotExist) {
		return nil, &fault{
			what: "there is no ledger here", where: dir, status: statusUse, err: store.ErrNotFound,
			hint: "start one with countback init --shop NAME --currency CAD --zone America/Halifax, or name its folder with --data",
		}
	}
	return sqlite.Open(ledgerPath(dir), sqlite.Options{MaxBytes: m.MaxBytes})
}

// writeKey stores a device's secret, on disk before it returns. It never replaces one.
func writeKey(dir string, k *key.Key) error {
	seed, err := k.Seed()
	if err != nil {
		return err
	}
	return writeNew(keyPath(dir), func(w io.Writer) error {
		_, err := fmt.Fprintf(w, "%s\n", seed)
		return err
	})
}

// maxKeyFile bounds what is read of a key file, in bytes.
const maxKeyFile = 4096

// readKey reads a device's secret.
func readKey(dir string) (*key.Key, error) {
	path := keyPath(dir)
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &fault{
			what: "the key of this device is missing, so it can't record", where: path, status: statusMachine, err: err,
			hint: "put the file back, or restore a backup into an empty folder with countback restore",
		}
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxKeyFile))
	if err != nil {
		return nil, err
	}
	for len(text) > 0 && (text[len(text)-1] == '\n' || text[len(text)-1] == '\r') {
		text = text[:len(text)-1]
	}
	k, err := key.FromSeed(text)
	if err != nil {
		return nil, &fault{
			what: "the key of this device can't be read", where: path, status: statusMachine, err: err,
			hint: "put the file back from a backup, or restore a backup into an empty folder with countback restore",
		}
	}
	return k, nil
}

// writeNew writes a file that only its owner may read and that isn't there yet: either it is there whole and on disk, or it isn't there.
func writeNew(path string, write func(io.Writer) error) (err error) {
	if _, err := os.Lstat(path); err == nil {
		return &fs.PathError{Op: "create", Path: path, Err: fs.ErrExist}
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return plainPath(path, err)
	}
	temp := f.Name()
	defer func() {
		if err != nil {
			os.Remove(temp)
		}
	}()
	if err := errors.Join(write(f), f.Sync(), f.Close()); err != nil {
		return plainPath(path, err)
	}
	if err := os.Link(temp, path); err == nil {
		return errors.Join(os.Remove(temp), syncFolder(filepath.Dir(path)))
	} else if errors.Is(err, fs.ErrExist) {
		return plainPath(path, err)
	}
	if err := os.Rename(temp, path); err != nil { // a file system without hard links
		return plainPath(path, err)
	}
	return syncFolder(filepath.Dir(path))
}

// plainPath names the file that was meant instead of the temporary one.
func plainPath(path string, err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return &fs.PathError{Op: p.Op, Path: path, Err: p.Err}
	}
	return err
}

func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
