package store

import (
	"crypto/sha256"
	"encoding/binary"

	"countback/ledger/event"
)

// MaxCheckpoints is the number of checkpoints kept of one key, MaxKeys that of the keys: those of programs of before would stay for ever.
const (
	MaxCheckpoints = 16
	MaxKeys        = 3
)

// Position is a place in the fold order: time as an instant, rank of the kind, id.
type Position = event.Key

// Checkpoint is the state of a fold after all events up to Position that had arrived up to the number Arrived. It is a local shortcut, never part of
// the ledger; the key names projection, program build and known kinds.
type Checkpoint struct {
	Key      string
	Position Position
	Arrived  int64
	State    []byte
}

// Sum is the checksum that a store keeps beside a checkpoint.
func (c Checkpoint) Sum() [sha256.Size]byte {
	h := sha256.New()
	b := binary.BigEndian.AppendUint64(nil, uint64(len(c.Key)))
	b = append(b, c.Key...)
	b = binary.BigEndian.AppendUint64(b, uint64(c.Position.Ms))
	b = append(b, c.Position.Rank)
	b = append(b, c.Position.ID[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(c.Arrived))
	h.Write(b)
	h.Write(c.State)
	return [sha256.Size]byte(h.Sum(nil))
}
