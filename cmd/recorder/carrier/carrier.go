//go:build js

package main

import (
	"context"
	"errors"
	"io"
	"net/http"
	"sync"
	"syscall/js"
	"time"

	"countback/cmd/recorder/phone"
	"countback/ledger/key"
	"countback/ledger/store/indexeddb"
	"countback/ledger/store/paged"
	"countback/sync/bus"
	"countback/sync/pair"
)

const (
	database    = "countback"
	carrierLock = "countback-carrier"
)

// carrier is the module.
type carrier struct {
	now     func() time.Time
	entropy io.Reader
	origin  string // where the recorder came from, and the desk's door is

	db    *indexeddb.Database
	store *paged.Store
	post  *post
	wake  chan struct{} // something that run looks at has changed

	mu     sync.Mutex
	runner *bus.Runner   // nil while there is nothing to be kept in step
	meet   *pair.Meeting // of a recovery whose digits are to be typed
	lost   string        // in whose place
	wrong  int           // how often they were typed wrong
	taking *[]string     // what is reported while a file is taken in
}

func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// run does the carrier's work as soon as no other worker does.
func (c *carrier) run(ctx context.Context) error {
	if _, _, err := indexeddb.Lock(ctx, carrierLock, false); err != nil {
		return err
	}
	var err error
	c.wake = make(chan struct{}, 1)
	if c.db, err = indexeddb.Open(ctx, database, c.changed); err != nil {
		return err
	}
	c.store = paged.New(c.db)
	c.post = newPost(c)
	online := js.FuncOf(func(js.Value, []js.Value) any {
		c.retry()
		return nil
	})
	js.Global().Call("addEventListener", "online", online)
	for {
		wait, err := c.once(ctx)
		if err != nil {
			js.Global().Get("console").Call("warn", "carrier: "+err.Error())
		}
		select {
		case <-ctx.Done():
			return nil
		case <-c.wake:
		case <-time.After(wait):
		}
	}
}

const (
	idle  = time.Hour
	again = 10 * time.Second
)

// once does what is next: bringing the first event to the desk, or keeping the ledger in step. It returns after how long to look again.
func (c *carrier) once(ctx context.Context) (time.Duration, error) {
	k, err := phone.ReadKey(ctx, c.db)
	if err != nil || k == nil {
		return idle, err
	}
	j, err := phone.ReadJoining(ctx, c.db)
	if err != nil {
		return again, err
	}
	if j != nil {
		if !j.Recorded {
			return idle, nil // the page signs first
		}
		if err := c.admit(ctx, k, j); err != nil {
			c.post.tell("refused", phone.Explain(err))
			return again, err
		}
		if err := phone.Joined(ctx, c.db); err != nil {
			return again, err
		}
		c.post.tell("paired", &phone.Refusal{Message: "This phone belongs to " + j.ShopName + " now."})
	}
	f, err := phone.ReadFace(ctx, c.db)
	if err != nil || f == nil || f.Shop.ID == "" {
		return idle, err
	}
	return again, c.keepUp(ctx, k, f.Shop.ID)
}

// client goes to the door through the browser, which decides whom it trusts.
func (c *carrier) client() *pair.Client {
	return pair.NewClientOver(&http.Client{}, c.origin, c.now, wait, c.entropy)
}

func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// admit brings the first event of this phone's log to the desk.
func (c *carrier) admit(ctx context.Context, k *key.Key, j *phone.Joining) error {
	row, err := c.store.At(ctx, k.Device(), 1)
	if err != nil {
		return err
	}
	client := c.client()
	defer client.Close()
	return client.Admit(ctx, row.Line)
}

// changed hears that the page has written to the ledger. It mustn't wait.
func (c *carrier) changed() {
	if r := c.running(); r != nil {
		go func() { _ = r.Nudge(context.Background()) }() // one that has stopped looks for itself when it starts
	}
}

// retry lets the carrier try the desk at once. It mustn't wait.
func (c *carrier) retry() {
	nudge(c.wake)
	if r := c.running(); r != nil {
		go func() { _ = r.Kick(context.Background()) }()
	}
}

func (c *carrier) running() *bus.Runner {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.runner
}

func (c *carrier) set(r *bus.Runner) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.runner = r
}

var errNotMember = &phone.Refusal{Message: "this phone belongs to no shop yet", Hint: "scan the code that the desk shows with countback pair", Kind: phone.New}

// refusal puts what the door says into words of the phone.
func refusal(err error) *phone.Refusal {
	r := phone.Explain(err)
	if errors.Is(err, pair.ErrReach) {
		return &phone.Refusal{Message: "the desk couldn't be reached", Hint: "check that phone and desk are in one network, and that countback serve runs there", Kind: "reach"}
	}
	return r
}
