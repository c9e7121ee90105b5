package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"countback/ledger/chain"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store"
)

// Two copies of a data folder would record under one name: a fork. So each folder says which machine it is on (machineFile), and each machine remembers, outside of
// the folder, where a device's folder is and how far its log had come. A folder that has come from another machine, that stands beside the one it was copied from, or
// that is older than what was recorded here, becomes a new device, which the old key endorses. A folder that was moved is still itself.
//
// What is remembered can be missing (another user, a cleaned home): then nothing is concluded. What slips through is a fork, which costs no fact either.
const (
	machineFile = "machine"   // in the data folder
	nextKeyFile = ".key.next" // in the data folder: the key of the device that it is about to become
	stateFolder = "countback"
	maxRemember = 4096
)

// remembered is what a machine knows of a device outside of its folder.
type remembered struct {
	Folder string `json:"folder"`
	Seq    int64  `json:"seq"` // of the last event known to be in its log
}

// statePlace is the system's place for what programs remember of this user; "" where it says none.
func (m *Main) statePlace() string {
	home := m.Getenv("HOME")
	switch runtime.GOOS {
	case "windows":
		if d := m.Getenv("LOCALAPPDATA"); d != "" {
			return filepath.Join(d, stateFolder, "state")
		}
		return ""
	case "darwin":
		if home != "" {
			return filepath.Join(home, "Library", "Application Support", stateFolder+"-state")
		}
		return ""
	}
	if d := m.Getenv("XDG_STATE_HOME"); d != "" {
		return filepath.Join(d, stateFolder)
	}
	if home != "" {
		return filepath.Join(home, ".local", "state", stateFolder)
	}
	return ""
}

// thisMachine tells this machine from others, "" if nothing does. The system's own id is hashed: it is nobody's business.
func (m *Main) thisMachine() string {
	id := m.Machine
	if place := m.statePlace(); id == "" && place != "" {
		id = m.ownMachineID(filepath.Join(place, machineFile))
	}
	if id == "" {
		return ""
	}
	sum := sha256.Sum256([]byte("countback-machine-v1\n" + id))
	const enough = 32
	return hex.EncodeToString(sum[:])[:enough]
}

// ownMachineID is a random id for systems that have none to be read.
func (m *Main) ownMachineID(path string) string {
	if b, err := readShort(path); err == nil {
		return strings.TrimSpace(string(b))
	}
	raw := make([]byte, sha256.Size)
	if _, err := io.ReadFull(m.Entropy, raw); err != nil {
		return ""
	}
	id := hex.EncodeToString(raw)
	err := os.MkdirAll(filepath.Dir(path), 0o700)
	if err == nil {
		err = writeNew(path, func(w io.Writer) error { _, err := fmt.Fprintln(w, id); return err })
	}
	if err != nil {
		return "" // another process was quicker, or nothing can be remembered: the next command will see
	}
	return id
}

func readShort(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxRemember))
}

// ownKey reads the key of this device. Where the folder turns out to be a copy it becomes a new device first.
func (d *desk) ownKey() (*key.Key, error) {
	k, err := readKey(d.dir)
	if err != nil {
		return nil, err
	}
	d.machine = d.m.thisMachine()
	heads, err := d.store.Heads(d.ctx)
	if err != nil {
		return nil, err
	}
	head, began := heads[k.Device()]
	if _, err := os.Lstat(filepath.Join(d.dir, nextKeyFile)); err == nil {
		return d.becomeNew(k, "an earlier command was cut short while it made a new device of this copy")
	}
	if !began {
		return k, nil
	}
	why, err := d.copied(k.Device(), head)
	if err != nil || why == "" {
		return k, err
	}
	return d.becomeNew(k, why)
}

// copied says why a folder is a copy, "" if nothing tells that it is one.
func (d *desk) copied(device string, head store.Head) (string, error) {
	mark, err := readShort(filepath.Join(d.dir, machineFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	if was := strings.TrimSpace(string(mark)); was != "" && d.machine != "" && was != d.machine {
		return "this folder was copied from another machine", nil
	}
	r, ok := d.m.recall(device)
	if !ok {
		return "", nil
	}
	if r.Seq > head.Seq {
		return "this folder is an older copy: it lacks the last " + count(int(r.Seq-head.Seq), "event", "events") + " that this device has recorded", nil
	}
	if here, err := filepath.Abs(d.dir); err == nil && r.Folder != here && !sameFolder(r.Folder, here) {
		if other, err := readKey(r.Folder); err == nil && other.Device() == device {
			return "this folder is a copy of " + r.Folder, nil
		}
	}
	return "", nil
}

func sameFolder(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

func (m *Main) recall(device string) (r remembered, ok bool) {
	place := m.statePlace()
	if place == "" {
		return r, false
	}
	b, err := readShort(filepath.Join(place, device+".json"))
	return r, err == nil && json.Unmarshal(b, &r) == nil
}

// remember writes down where this device's folder is and how far its log has come. That it can't be is no reason to fail: then less is noticed.
func (d *desk) remember() {
	if d.key == nil {
		return
	}
	if d.machine != "" {
		path := filepath.Join(d.dir, machineFile)
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
			_ = writeNew(path, func(w io.Writer) error { _, err := fmt.Fprintln(w, d.machine); return err })
		}
	}
	place := d.m.statePlace()
	here, err := filepath.Abs(d.dir)
	if place == "" || err != nil {
		return
	}
	heads, err := d.store.Heads(d.ctx)
	if err != nil || heads[d.key.Device()].Seq == 0 {
		return
	}
	now := remembered{here, heads[d.key.Device()].Seq}
	if was, ok := d.m.recall(d.key.Device()); ok && was == now {
		return
	}
	b, err := json.Marshal(now)
	if err != nil || os.MkdirAll(place, 0o700) != nil {
		return
	}
	_ = replaceFile(filepath.Join(place, d.key.Device()+".json"), b)
}

// replaceFile writes a file anew, so that a reader sees the old or the new one.
func replaceFile(path string, b []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}

// becomeNew makes a new device of this folder, which succeeds the old one. Several processes, or one after a crash, take the same new key and go on where the
// other was.
func (d *desk) becomeNew(old *key.Key, why string) (*key.Key, error) {
	members, err := chain.Load(d.ctx, d.store, d.shopID)
	if err != nil {
		return nil, err
	}
	b, ok := members.Get(old.Device())
	if ok && b.Revoked {
		return nil, &fault{what: why + ", and its device was revoked", where: d.dir, hint: "pair this machine anew, in an empty folder: countback pair --join CODE", status: statusUse}
	}
	fresh, err := d.nextKey()
	if err != nil {
		return nil, err
	}
	if fresh.Device() != old.Device() { // else the last step alone is left
		err := d.m.succeed(d.ctx, d.store, old, fresh, d.shopID, b.Name)
		if err != nil && !errors.Is(err, record.ErrFounded) {
			return nil, err
		}
	}
	next := filepath.Join(d.dir, nextKeyFile)
	if err := os.Rename(next, keyPath(d.dir)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if err := syncFolder(d.dir); err != nil {
		return nil, err
	}
	if d.machine != "" {
		if err := replaceFile(filepath.Join(d.dir, machineFile), []byte(d.machine+"\n")); err != nil {
			return nil, err
		}
	}
	fmt.Fprintf(d.m.Stderr, "countback: %s. So that no two devices record under one name it is a new device from now on, %s, which succeeds %s.\n", oneLine(why), fresh.Device(), old.Device())
	return fresh, nil
}

// nextKey returns the key that this folder is about to take, which is made if there is none.
func (d *desk) nextKey() (*key.Key, error) {
	path := filepath.Join(d.dir, nextKeyFile)
	b, err := readShort(path)
	if errors.Is(err, fs.ErrNotExist) {
		k, err := key.Generate(d.m.Entropy)
		if err != nil {
			return nil, &fault{what: err.Error(), status: statusMachine, err: err}
		}
		seed, err := k.Seed()
		if err != nil {
			return nil, err
		}
		err = writeNew(path, func(w io.Writer) error { _, err := fmt.Fprintf(w, "%s\n", seed); return err })
		if err == nil {
			return k, nil
		}
		if !errors.Is(err, fs.ErrExist) {
			return nil, err
		}
		b, err = readShort(path)
		if err != nil {
			return nil, err
		}
		return key.FromSeed([]byte(strings.TrimSpace(string(b))))
	}
	if err != nil {
		return nil, err
	}
	return key.FromSeed([]byte(strings.TrimSpace(string(b))))
}
