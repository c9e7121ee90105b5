package phone

import (
	"context"
	"io"
	"time"

	"countback/sync/handover"
)

// Handover writes the whole ledger as one file, without the key. It returns the number of events.
func (p *Phone) Handover(ctx context.Context, w io.Writer) (int64, error) {
	p.mu.Lock()
	err := p.load(ctx)
	var head handover.Head
	if err == nil && p.key == nil {
		err = ErrNew
	}
	if err == nil {
		head = handover.Head{Shop: p.face.Shop.ID, Name: p.face.Shop.Name, Device: p.key.Device(), Made: p.Now().Format(time.RFC3339)}
	}
	p.mu.Unlock()
	if err != nil {
		return 0, err
	}
	return handover.Write(ctx, w, p.Store, head, nil)
}

// Taken says what came in with a file.
type Taken struct {
	Events  int64    `json:"events"` // in the ledger now
	New     int64    `json:"new"`
	Waiting int      `json:"waiting"` // for others, or for their device's admission
	Reports []string `json:"reports"` // what a person should know
}
