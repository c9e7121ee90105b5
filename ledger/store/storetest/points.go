package storetest

import (
	"context"
	"errors"
	"slices"
	"testing"

	"countback/ledger/store"
)

func point(key string, ms int64, arrived int64) store.Checkpoint {
	return store.Checkpoint{Key: key, Position: store.Position{Ms: ms, Rank: uint8(ms % 8), ID: NewLog(1, "").IDAt(ms)}, Arrived: arrived, State: []byte{byte(ms), byte(arrived), 0, 255}}
}

func save(t *testing.T, st store.Store, list ...store.Checkpoint) {
	t.Helper()
	for _, c := range list {
		if err := st.SaveCheckpoint(ctx, c); err != nil {
			t.Fatal(err)
		}
	}
}

// Checkpoints returns a key's checkpoints with their states; those whose state isn't there are left out.
func Checkpoints(ctx context.Context, st store.Store, key string) (list []store.Checkpoint, err error) {
	places, err := st.Checkpoints(ctx, key)
	if err != nil {
		return nil, err
	}
	for _, c := range places {
		switch c.State, err = st.CheckpointState(ctx, c); {
		case err == nil:
			list = append(list, c)
		case !errors.Is(err, store.ErrNotFound):
			return nil, err
		}
	}
	return list, nil
}

func wantPoints(t *testing.T, st store.Store, key string, want ...store.Checkpoint) {
	t.Helper()
	for _, c := range must[[]store.Checkpoint](t)(st.Checkpoints(ctx, key)) {
		if c.State != nil {
			t.Errorf("%v is listed with its state", c)
		}
	}
	got := must[[]store.Checkpoint](t)(Checkpoints(ctx, st, key))
	if !slices.EqualFunc(got, want, func(a, b store.Checkpoint) bool {
		return a.Key == b.Key && a.Position == b.Position && a.Arrived == b.Arrived && string(a.State) == string(b.State)
	}) {
		t.Errorf("checkpoints of %q:\n%v, want\n%v", key, got, want)
	}
}

func checkpoints(t *testing.T, st store.Store) {
	wantPoints(t, st, "stock")
	save(t, st, point("stock", 30, 3), point("stock", -10, 1), point("stock", 20, 2), point("orders", 20, 900))
	wantPoints(t, st, "stock", point("stock", 30, 3), point("stock", 20, 2), point("stock", -10, 1))
	wantPoints(t, st, "orders", point("orders", 20, 900))
	// Same millisecond: rank, then id, decide.
	low, high := point("tie", 5, 1), point("tie", 5, 1)
	low.Position.Rank, high.Position.Rank = 2, 200
	save(t, st, low, high)
	wantPoints(t, st, "tie", high, low)

	if err := st.DropCheckpoints(ctx, "stock", point("stock", 20, 0).Position); err != nil {
		t.Fatal(err)
	}
	wantPoints(t, st, "stock", point("stock", 20, 2), point("stock", -10, 1))
	wantPoints(t, st, "orders", point("orders", 20, 900))

	var want []store.Checkpoint
	for ms := int64(100); ms < 130; ms++ {
		c := point("many", ms, ms)
		save(t, st, c)
		want = slices.Insert(want, 0, c)
	}
	wantPoints(t, st, "many", want[:store.MaxCheckpoints]...)
	save(t, st, point("many", 1, 1)) // lower than all that are kept: dropped at once
	wantPoints(t, st, "many", want[:store.MaxCheckpoints]...)
	empty := store.Checkpoint{Key: "empty"}
	save(t, st, empty)
	wantPoints(t, st, "empty", empty)

	// There are not more keys than MaxKeys: what knew least has gone. The one that is saved stays, however little it knew.
	for _, key := range []string{"stock", "tie"} {
		wantPoints(t, st, key)
	}
	wantPoints(t, st, "many", want[:store.MaxCheckpoints]...)
	wantPoints(t, st, "orders", point("orders", 20, 900))

	// What was listed and is gone, or has given way to another, has no state any more.
	gone := want[len(want)-1]
	other := want[0]
	other.Arrived--
	nowhere := want[0]
	nowhere.Key = "none"
	for _, c := range []store.Checkpoint{gone, other, nowhere} {
		if state, err := st.CheckpointState(ctx, c); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("the state of %v is %v, %v", c, state, err)
		}
	}
}

func compareAndSet(t *testing.T, st store.Store) {
	older, newer := point("stock", 30, 5), point("stock", 30, 8)
	save(t, st, newer, older)
	wantPoints(t, st, "stock", newer)
	newest := point("stock", 30, 9)
	save(t, st, newest)
	wantPoints(t, st, "stock", newest)
	corrected := newest
	corrected.State = []byte("again")
	save(t, st, corrected)
	wantPoints(t, st, "stock", corrected)
}
