package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"countback/ledger/chain"
	"countback/ledger/key"
	"countback/ledger/store/sqlite"
	"countback/sync/handover"
)

// initFrom makes a folder from a hand-over file. The desk has a key and no log yet: a surviving device makes it a member, and the keeper.
func (m *Main) initFrom(cmd *cobra.Command, dir, path string) error {
	for _, flag := range []string{"shop", "currency", "zone", "costing"} {
		if cmd.Flags().Changed(flag) {
			return wrong("--"+flag, "leave it out", "with --from the shop is the one of the file")
		}
	}
	head, err := checkHandover(path)
	if err != nil {
		return err
	}
	k, err := key.Generate(m.Entropy)
	if err != nil {
		return &fault{what: err.Error(), status: statusMachine, err: err}
	}
	n, err := m.makeLedger(cmd.Context(), dir, k, func() (string, func(*intake) error, error) {
		return head.Shop, func(in *intake) error { return in.file(path) }, nil
	})
	if errors.Is(err, handover.ErrFile) {
		return inPlace(path, "", err)
	}
	if err != nil {
		return err
	}
	if m.format == formatTable {
		return m.printTable(fmt.Sprintf("The ledger of %s is in %s, with %s as %s had them on %s.", visible(head.Name), dir, count(int(n), "event", "events"), head.Device, clock(head.Made).show()), nil,
			"All reports work. To record here, and to be the keeper in the place of the desk that was lost, this desk needs the word of a device that is left:\n"+
				"run countback pair here, and scan its code there (from another desk: countback pair --join CODE).")
	}
	g := &grid{columns: []column{{name: "shop"}, {name: "device"}, {name: "folder"}, {name: "events"}}}
	g.add(plain(head.Name), plain(k.Device()), plain(dir), plain(fmtInt(n)))
	return m.report(struct {
		Shop   string `json:"shop"`
		Device string `json:"device"`
		Folder string `json:"folder"`
		Events int64  `json:"events"`
	}{head.Name, k.Device(), dir, n}, "", g, "")
}

// makeLedger makes folder, key and ledger, and fills it with what others have. begin says of which shop, once the folder is there. What was made is taken away
// again if it fails. It returns the number of events.
func (m *Main) makeLedger(ctx context.Context, dir string, k *key.Key, begin func() (shop string, fill func(*intake) error, err error)) (n int64, err error) {
	if err := makeFolder(dir); err != nil {
		return 0, err
	}
	defer func() {
		if err != nil {
			clearFolder(dir)
		}
	}()
	shop, fill, err := begin()
	if err != nil {
		return 0, err
	}
	if err := writeKey(dir, k); err != nil {
		return 0, err
	}
	s, err := sqlite.Create(ledgerPath(dir))
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	in, err := m.intake(ctx, s, k, shop)
	if err != nil {
		return 0, err
	}
	if err := fill(in); err != nil {
		return 0, err
	}
	members, err := chain.Load(ctx, s, shop)
	if err != nil {
		return 0, err
	}
	if _, ok := members.Get(shop); !ok {
		return 0, &fault{what: "it lacks the beginning of the shop, so nothing in it can be checked", hint: "have it written anew by a device that holds the whole ledger; no ledger was started",
			status: statusUse, err: handover.ErrFile}
	}
	return events(ctx, s)
}

// clearFolder removes the files of a ledger that was never finished.
func clearFolder(dir string) {
	for _, end := range []string{"", "-wal", "-shm", "-journal", ".new"} {
		os.Remove(ledgerPath(dir) + end)
	}
	os.Remove(keyPath(dir))
	os.Remove(filepath.Join(dir, authorityFile))
}
