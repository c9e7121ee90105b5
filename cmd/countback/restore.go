package main

import (
	"archive/tar"
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"

	"countback/ledger/event"
	"countback/ledger/store"
)

// restoreBatch is the number of events of one transaction; the folder is taken away if a later one fails.
const restoreBatch = 10_000

// insertBackup takes in the events of a backup. The store checks that each continues its log; the whole is audited by verify, as after any copy.
func insertBackup(ctx context.Context, s store.Store, path string, pack *tar.Reader, head backupHead) error {
	if err := nextMember(path, pack, backupEvents); err != nil {
		return err
	}
	in := bufio.NewScanner(pack)
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
	if _, err := pack.Next(); !errors.Is(err, io.EOF) { // reads on to the checksum at the end
		return notABackup(path, err)
	}
	return nil
}
