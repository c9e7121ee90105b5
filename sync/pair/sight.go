package pair

import (
	"context"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/store"
)

const noteSight = "pair/sight/" // + device id

// Sight is when a device was last seen at this desk's door, and how far its clock was off.
type Sight struct {
	Device string
	At     int64         // ms since 1970 by this desk's clock
	Ahead  time.Duration // of its clock before this desk's; 0 where it isn't known to be off
}

// sightNote is how a sight is written down.
type sightNote struct {
	Device string `json:"device"`
	At     int64  `json:"at"`
	Ahead  int64  `json:"ahead,omitzero"` // ns
}

// KeepSight remembers a sight. A write of its own for each device that comes and goes is enough.
func KeepSight(ctx context.Context, st store.Store, s Sight) error {
	return keep(ctx, st, noteSight+s.Device, sightNote{s.Device, s.At, s.Ahead.Nanoseconds()})
}

// Sights returns what was seen last, by device.
func Sights(ctx context.Context, st store.Store) (map[string]Sight, error) {
	out := map[string]Sight{}
	err := st.Local(ctx, noteSight, func(_ string, value []byte) error {
		var s sightNote
		if err := json.Unmarshal(value, &s); err != nil {
			return store.Fail("read the notes", "", store.ErrDamaged, err)
		}
		out[s.Device] = Sight{s.Device, s.At, time.Duration(s.Ahead)}
		return nil
	})
	return out, err
}
