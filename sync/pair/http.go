package pair

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
	"countback/sync/handover"
)

// The addresses of the door.
const (
	pathHello    = "/pair/hello"
	pathReveal   = "/pair/reveal"
	pathAnswer   = "/pair/answer"
	pathEndorse  = "/pair/endorse"
	pathAdmit    = "/pair/admit"
	pathDesk     = "/pair/desk"
	PathHandover = "/handover" // of the download
)

const (
	maxMessage   = 4 << 10
	readTime     = 10 * time.Second
	maxDownloads = 2
	downloadTime = 30 * time.Minute
	challenged   = time.Minute // how long a challenge may be answered
	maxAnswered  = 1000
	stampLen     = 16
)

// Doors are the HTTP side of a desk. Its fields stay unchanged while it is used.
type Doors struct {
	Desk  *Desk
	Place func() []byte // Machine.Place of the bus that this desk keeps, asked before a download is read; may be nil
	Own   string        // this desk's device id, for the head of downloads
	Sent  func(string)  // told of each download that was sent to its end, with the device; may be nil
	Fault func(error)   // told of failures of the store, which the other side learns of without their text; may be nil

	limit     limiter
	mu        sync.Mutex
	secret    []byte           // of challenges, made at the first
	answered  map[string]int64 // challenges that were answered, until when they would hold
	downloads int
}

// failed is an error on its way to the other side.
type failed struct {
	Kind string `json:"kind"`
	What string `json:"what"`
}

// kinds are the errors that the other side is told by name.
var kinds = []struct {
	name   string
	status int
	err    error
}{
	{"code", http.StatusForbidden, ErrCode},
	{"stale", http.StatusGone, ErrStale},
	{"used", http.StatusConflict, ErrUsed},
	{"ended", http.StatusGone, ErrEnded},
	{"message", http.StatusBadRequest, ErrMessage},
	{"proof", http.StatusForbidden, ErrProof},
	{"keeper", http.StatusForbidden, ErrKeeper},
	{"member", http.StatusForbidden, ErrMember},
	{"there", http.StatusConflict, ErrThere},
	{"first", http.StatusForbidden, ErrFirst},
	{"busy", http.StatusTooManyRequests, ErrBusy},
}

// ErrBusy is wrapped where a desk is asked too much at once.
var ErrBusy = errors.New("the desk is asked too much at once; wait a moment and try again")

// ErrDesk is wrapped where the desk has failed itself.
var ErrDesk = errors.New("the desk couldn't answer; look at it, its disk may be full")

// Handler returns the handler of pairing and download, for the HTTPS port.
func (d *Doors) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("POST "+pathHello, message(d, d.Desk.hello))
	mux.Handle("POST "+pathReveal, message(d, d.Desk.reveal))
	mux.Handle("POST "+pathAnswer, message(d, d.Desk.answer))
	mux.Handle("POST "+pathEndorse, message(d, d.Desk.endorse))
	mux.Handle("POST "+pathDesk, message(d, d.Desk.who))
	mux.HandleFunc("POST "+pathAdmit, d.admit)
	mux.HandleFunc("GET "+PathHandover, d.download)
	return http.NewCrossOriginProtection().Handler(mux)
}

// message serves one sort of message.
func message[In, Out any](d *Doors, do func(context.Context, In) (Out, error)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var in In
		body, err := d.body(w, r, maxMessage)
		if err == nil && json.Unmarshal(body, &in, json.RejectUnknownMembers(true)) != nil {
			err = ErrMessage
		}
		var out Out
		if err == nil {
			out, err = do(r.Context(), in)
		}
		d.reply(w, out, err)
	})
}

// body reads a message within its bounds.
func (d *Doors) body(w http.ResponseWriter, r *http.Request, most int64) ([]byte, error) {
	if !d.limit.allow(r, d.Desk.Now()) {
		return nil, ErrBusy
	}
	if r.Header.Get("Content-Type") != "application/json" {
		return nil, ErrMessage
	}
	_ = http.NewResponseController(w).SetReadDeadline(d.Desk.Now().Add(readTime)) // a recorder of tests has none
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, most))
	if err != nil {
		return nil, ErrMessage
	}
	return body, nil
}

func (d *Doors) reply(w http.ResponseWriter, out any, err error) {
	status := http.StatusOK
	if err != nil {
		f := failed{"desk", ErrDesk.Error()}
		status = http.StatusInternalServerError
		for _, k := range kinds {
			if errors.Is(err, k.err) {
				f, status = failed{k.name, err.Error()}, k.status
				break
			}
		}
		if status == http.StatusInternalServerError && d.Fault != nil {
			d.Fault(err)
		}
		out = f
	}
	body, err := json.Marshal(out)
	if err != nil {
		status, body = http.StatusInternalServerError, nil
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	w.WriteHeader(status)
	_, _ = w.Write(body) // who went away doesn't want it
}

func (d *Doors) admit(w http.ResponseWriter, r *http.Request) {
	line, err := d.body(w, r, event.MaxLine)
	if err == nil {
		err = d.Desk.admit(r.Context(), line)
	}
	d.reply(w, done{}, err)
}

const (
	challengeHeader = "Countback-Challenge"
	shopHeader      = "Countback-Shop" // whose door it is
	scheme          = "Countback "
)

// download sends the hand-over file to a member that has signed a challenge: the first request is answered with one, the second brings
//
//	Authorization: Countback DEVICE CHALLENGE SIGNATURE
//
// The first answer also tells the shop's id, so that a device that isn't let in any more can tell its own shop from another one at the same address.
func (d *Doors) download(w http.ResponseWriter, r *http.Request) {
	if !d.limit.allow(r, d.Desk.Now()) {
		d.reply(w, nil, ErrBusy)
		return
	}
	given, ok := strings.CutPrefix(r.Header.Get("Authorization"), scheme)
	if !ok {
		challenge, err := d.challenge()
		if err != nil {
			d.reply(w, nil, err)
			return
		}
		w.Header().Set(challengeHeader, challenge)
		w.Header().Set(shopHeader, d.Desk.Shop)
		w.Header().Set("WWW-Authenticate", strings.TrimSpace(scheme))
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	if err := d.allowed(r.Context(), strings.Fields(given)); err != nil {
		d.reply(w, nil, err)
		return
	}
	if !d.begin() {
		d.reply(w, nil, ErrBusy)
		return
	}
	defer d.finish()
	var place []byte
	if d.Place != nil {
		place = d.Place()
	}
	_ = http.NewResponseController(w).SetWriteDeadline(d.Desk.Now().Add(downloadTime)) // a recorder of tests has none
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Cache-Control", "no-store")
	head := handover.Head{Shop: d.Desk.Shop, Name: d.Desk.Name, Device: d.Own, Made: d.Desk.Now().Format(time.RFC3339)}
	if _, err := handover.Write(r.Context(), w, d.Desk.Store, head, place); err != nil {
		var fails *store.Error
		if d.Fault != nil && errors.As(err, &fails) {
			d.Fault(err)
		}
		panic(http.ErrAbortHandler) // so that the other side doesn't take what came for all of it
	}
	if d.Sent != nil {
		d.Sent(strings.Fields(given)[0])
	}
}

func (d *Doors) begin() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.downloads >= maxDownloads {
		return false
	}
	d.downloads++
	return true
}

func (d *Doors) finish() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.downloads--
}

// challenge makes 48 bytes: until when it holds, eight random ones, and a sum that only this door can make. It is of the shape of a bus's nonce, 64 characters, which is
// all that a device signs unseen.
func (d *Doors) challenge() (string, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.secret == nil {
		secret := make([]byte, sha256.Size)
		if _, err := io.ReadFull(d.Desk.Entropy, secret); err != nil {
			return "", fmt.Errorf("make a challenge: the system's source of randomness failed: %w", err)
		}
		d.secret = secret
	}
	stamp := binary.BigEndian.AppendUint64(nil, uint64(d.Desk.Now().Add(challenged).UnixMilli()))
	stamp = append(stamp, make([]byte, stampLen-len(stamp))...)
	if _, err := io.ReadFull(d.Desk.Entropy, stamp[8:]); err != nil {
		return "", fmt.Errorf("make a challenge: the system's source of randomness failed: %w", err)
	}
	return d.sealed(stamp), nil
}

func (d *Doors) sealed(stamp []byte) string {
	sum := hmac.New(sha256.New, d.secret)
	sum.Write(stamp)
	return text64.EncodeToString(sum.Sum(slices.Clone(stamp)))
}

// allowed reports what is wrong with an answer to a challenge. Each challenge is good for one answer.
func (d *Doors) allowed(ctx context.Context, given []string) error {
	const parts = 3
	if len(given) != parts {
		return ErrMessage
	}
	device, challenge, sig := given[0], given[1], given[2]
	members, err := chain.Load(ctx, d.Desk.Store, d.Desk.Shop)
	if err != nil {
		return err
	}
	b, ok := members.Get(device)
	if !ok || b.Revoked {
		return ErrMember
	}
	now := d.Desk.Now().UnixMilli()
	d.mu.Lock()
	defer d.mu.Unlock()
	raw, err := text64.DecodeString(challenge)
	if err != nil || len(raw) < stampLen || d.secret == nil {
		return ErrProof
	}
	until := int64(binary.BigEndian.Uint64(raw))
	if !hmac.Equal([]byte(d.sealed(raw[:stampLen])), []byte(challenge)) || now >= until || until > now+challenged.Milliseconds() || d.answered[challenge] != 0 {
		return ErrProof
	}
	if key.Verify(b.Key, key.Nonce, []byte(challenge), sig) != nil {
		return ErrProof
	}
	for c, end := range d.answered {
		if now >= end {
			delete(d.answered, c)
		}
	}
	if d.answered == nil {
		d.answered = map[string]int64{}
	}
	if len(d.answered) >= maxAnswered {
		return ErrBusy
	}
	d.answered[challenge] = until
	return nil
}
