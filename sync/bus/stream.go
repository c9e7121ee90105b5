package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"countback/sync/replicate"
	"countback/sync/rights"
)

// Streams returns the names of a shop's streams.
func Streams(shop string) rights.Streams {
	return rights.Streams{Log: "cb-" + shop + "-log", Held: "cb-" + shop + "-held"}
}

// Bell is the pattern of the subjects on which the log stream tells that it has stored a message.
func Bell(shop string) string { return "cb." + shop + ".stored.>" }

// Problem is something about a bus that keeps it from being used: what is wrong and what to do.
type Problem struct {
	Stream string // "" where none is meant
	What   string
	Remedy string
}

func (p *Problem) Error() string {
	s := p.What + "; " + p.Remedy
	if p.Stream != "" {
		return "stream " + p.Stream + ": " + s
	}
	return s
}

const (
	// DefaultBytes is the guard of a log stream that is made here: several times what a shop records in its life.
	DefaultBytes = 4 << 30
	leastBytes   = 64 << 20
	heldBytes    = 64 << 20
	lineMost     = 64 << 10 // the longest event in bytes
	warnAt       = 80       // per cent of the guard
	maxReplicas  = 3
	enoughScarce = 8 // attempts to connect, a minute in all, after which fewer replicas will have to do
)

// settings are a stream's, as JetStream's API has them. Those that aren't named here stay as the server has them.
type settings struct {
	Name        string          `json:"name"`
	Description string          `json:"description,omitempty"`
	Subjects    []string        `json:"subjects"`
	Retention   string          `json:"retention"`
	MaxMsgs     int64           `json:"max_msgs"`
	MaxBytes    int64           `json:"max_bytes"`
	MaxAge      int64           `json:"max_age"`
	MaxMsgsPer  int64           `json:"max_msgs_per_subject"`
	MaxMsgSize  int64           `json:"max_msg_size,omitempty"`
	Discard     string          `json:"discard"`
	Storage     string          `json:"storage"`
	Replicas    int             `json:"num_replicas"`
	NoAck       bool            `json:"no_ack,omitempty"`
	Mirror      json.RawMessage `json:"mirror,omitempty"`
	Sources     json.RawMessage `json:"sources,omitempty"`
	Transform   json.RawMessage `json:"subject_transform,omitempty"`
	Republish   *republish      `json:"republish,omitempty"`
	AllowDirect bool            `json:"allow_direct"`
	Sealed      bool            `json:"sealed"`
	DenyDelete  bool            `json:"deny_delete"`
	DenyPurge   bool            `json:"deny_purge"`
	AllowRollup bool            `json:"allow_rollup_hdrs"`
	AllowTTL    bool            `json:"allow_msg_ttl,omitempty"`
	Counter     bool            `json:"allow_msg_counter,omitempty"`
	Schedules   bool            `json:"allow_msg_schedules,omitempty"`
	Atomic      bool            `json:"allow_atomic,omitempty"`
	PersistMode string          `json:"persist_mode,omitempty"`
}

type republish struct {
	Source      string `json:"src,omitempty"`
	Destination string `json:"dest"`
	HeadersOnly bool   `json:"headers_only,omitempty"`
}

// info is what JetStream says of a stream.
type info struct {
	Config  settings  `json:"config"`
	Created time.Time `json:"created"`
	State   struct {
		Bytes   uint64 `json:"bytes"`
		Last    uint64 `json:"last_seq"`
		Deleted int    `json:"num_deleted"`
	} `json:"state"`
	Cluster *struct {
		Leader string `json:"leader"`
		Since  string `json:"leader_since"`
	} `json:"cluster"`
}

// leader tells one time of office of a stream's leading server from another; "" for a server by itself.
func (i *info) leader() string {
	if i.Cluster == nil {
		return ""
	}
	return i.Cluster.Leader + " since " + i.Cluster.Since
}

// logStream is how a log stream is made.
func logStream(shop string, bytes int64, replicas int) settings {
	return settings{
		Name: Streams(shop).Log, Description: "countback: events of a shop; keep all of them",
		Subjects:  []string{replicate.Subject(shop, replicate.SubjectLog, "*"), replicate.Subject(shop, replicate.SubjectCarry, "*")},
		Retention: "limits", MaxMsgs: -1, MaxBytes: bytes, MaxMsgsPer: -1, Discard: "new", Storage: "file", Replicas: replicas,
		Republish: &republish{">", Bell(shop), true}, AllowDirect: true, DenyDelete: true, DenyPurge: true, Atomic: true,
	}
}

// heldStream is how a stream of receipts is made.
func heldStream(shop string, replicas int) settings {
	return settings{
		Name: Streams(shop).Held, Description: "countback: the newest receipt of each device of a shop", Subjects: []string{replicate.Subject(shop, replicate.SubjectHeld, "*")},
		Retention: "limits", MaxMsgs: -1, MaxBytes: heldBytes, MaxMsgsPer: 1, Discard: "new", Storage: "file", Replicas: replicas, AllowDirect: true,
	}
}

// check compares a stream that was found with how it would be made.
func (s *settings) check(want settings) error {
	log := want.MaxMsgsPer != 1
	bad := func(what, remedy string) error { return &Problem{s.Name, what, remedy} }
	const anew = "it can't be changed later: make the stream anew (its events come again from the devices)"
	got := slices.Clone(s.Subjects)
	slices.Sort(got)
	slices.Sort(want.Subjects)
	switch {
	case !slices.Equal(got, want.Subjects):
		return bad(fmt.Sprintf("it takes %s, as another shop's or another program's stream does", strings.Join(s.Subjects, " ")),
			"remove or rename it, or use another bus; it should take "+strings.Join(want.Subjects, " "))
	case len(s.Mirror) > 0 || len(s.Sources) > 0:
		return bad("it copies other streams", "make it a stream of its own, without mirror and sources")
	case len(s.Transform) > 0:
		return bad("it changes subjects", "take subject_transform away")
	case s.Retention != "limits":
		return bad("it drops messages (retention "+s.Retention+")", "make it anew with retention limits")
	case s.Storage != "file":
		return bad("it keeps messages in memory", anew+" with file storage")
	case s.PersistMode != "" && s.PersistMode != "default":
		return bad("it confirms messages before they are on disk (persist_mode "+s.PersistMode+")", anew+" without persist_mode")
	case s.NoAck:
		return bad("it doesn't confirm messages", "set no_ack to false")
	case s.Sealed:
		return bad("it is sealed and takes nothing more", anew)
	case s.MaxAge != 0:
		return bad("it drops messages by age", "set max_age to 0")
	case s.MaxMsgs > 0:
		return bad(fmt.Sprintf("it keeps %d messages at most", s.MaxMsgs), "set max_msgs to -1")
	case log && s.MaxMsgsPer > 0:
		return bad(fmt.Sprintf("it keeps %d messages of a device at most", s.MaxMsgsPer), "set max_msgs_per_subject to -1")
	case !log && s.MaxMsgsPer != 1:
		return bad("it keeps old receipts", "set max_msgs_per_subject to 1")
	case log && s.Discard != "new":
		return bad("it drops the oldest messages when it is full", "set discard to new")
	case s.AllowTTL:
		return bad("it lets senders set an end to messages", anew+" without allow_msg_ttl")
	case s.AllowRollup:
		return bad("it lets senders remove messages", "set allow_rollup_hdrs to false")
	case s.Counter || s.Schedules:
		return bad("it doesn't keep messages as they are sent", anew+" without allow_msg_counter and allow_msg_schedules")
	case log && !s.DenyDelete:
		return bad("messages can be deleted", "set deny_delete to true")
	case log && !s.DenyPurge:
		return bad("it can be emptied", "set deny_purge to true")
	case s.MaxMsgSize > 0 && s.MaxMsgSize < lineMost+4<<10:
		return bad(fmt.Sprintf("it takes messages of %d bytes at most", s.MaxMsgSize), fmt.Sprintf("set max_msg_size to -1, or at least %d", lineMost+4<<10))
	case !s.AllowDirect:
		return bad("it can't be read directly", "set allow_direct to true")
	case log && (s.Republish == nil || *s.Republish != *want.Republish):
		return bad("it doesn't tell when it has stored something", fmt.Sprintf("set republish to src %q, dest %q, headers_only true", ">", want.Republish.Destination))
	}
	return nil
}

// apiError is an error of JetStream's.
type apiError struct {
	Code    int    `json:"code"`
	ErrCode int    `json:"err_code"`
	Text    string `json:"description"`
}

func (e *apiError) Error() string { return fmt.Sprintf("%s (JetStream %d)", e.Text, e.ErrCode) }

// JetStream's numbers of errors (nats-server, server/errors.json).
const (
	errNoStream      = 10059
	errNotEnabled    = 10076
	errNotForAccount = 10039
	errOverlap       = 10065
	errWrongLast     = 10071
	errWrongLastToo  = 10164
	errTooLarge      = 10054
	errStoreFailed   = 10077
	errInsufficient  = 10023
	errNoStorage     = 10047
	errOtherStream   = 10060
	errReplicas      = 10074
	errNoPeers       = 10005
	errNameInUse     = 10058
)

func isAPI(err error, codes ...int) bool {
	var e *apiError
	return errors.As(err, &e) && slices.Contains(codes, e.ErrCode)
}

// call asks JetStream's API.
func (s *session) call(ctx context.Context, subject string, ask, answer any) error {
	var body []byte
	if ask != nil {
		var err error
		if body, err = json.Marshal(ask); err != nil {
			return err
		}
	}
	msg, err := s.ask(ctx, "$JS.API."+subject, nil, body)
	if err != nil {
		return err
	}
	var e struct {
		Error *apiError `json:"error"`
	}
	if err := json.Unmarshal(msg.Data, &e); err != nil {
		return fmt.Errorf("%s: not an answer of JetStream's: %w", subject, err)
	}
	if e.Error != nil {
		return e.Error
	}
	return json.Unmarshal(msg.Data, answer)
}

// stream returns what JetStream says of a stream.
func (s *session) stream(ctx context.Context, name string) (*info, error) {
	var i info
	return &i, s.call(ctx, "STREAM.INFO."+name, nil, &i)
}

// open finds a stream that is as it should be, or makes it. without makes the wanted settings for a number of bytes and replicas.
func (s *session) open(ctx context.Context, want func(bytes int64, replicas int) settings) (*info, error) {
	bytes := s.d.cfg.Bytes
	name := want(bytes, 1).Name
	i, err := s.stream(ctx, name)
	if isAPI(err, errNoStream) {
		if !s.d.cfg.Desk {
			return nil, &Problem{name, "it isn't there", "let the desk run that has this bus; it makes the stream"}
		}
		i, err = s.create(ctx, want, bytes)
	}
	switch {
	case isAPI(err, errNotEnabled, errNotForAccount):
		return nil, &Problem{"", "the bus has no JetStream for this user", "switch JetStream on at the server, for the account that the credentials belong to"}
	case errors.Is(err, replicate.ErrDenied):
		return nil, &Problem{name, "this user may not look at it or make it", "allow publishing on $JS.API.STREAM.INFO." + name + " and $JS.API.STREAM.CREATE." + name}
	case err != nil:
		return nil, fmt.Errorf("stream %s: %w", name, err)
	}
	return i, i.Config.check(want(bytes, 1))
}

// create makes a stream with as many replicas and as large a guard as the servers allow.
func (s *session) create(ctx context.Context, want func(int64, int) settings, bytes int64) (*info, error) {
	replicas := maxReplicas
	for {
		var i info
		cfg := want(bytes, replicas)
		err := s.call(ctx, "STREAM.CREATE."+cfg.Name, cfg, &i)
		switch {
		case err == nil || isAPI(err, errNameInUse): // or another device was quicker
			return s.stream(ctx, cfg.Name)
		case isAPI(err, errReplicas) && replicas > 1: // a server by itself
			replicas = 1
		case isAPI(err, errNoPeers) && replicas > 1 && s.d.scarce >= enoughScarce:
			replicas--
		case isAPI(err, errNoPeers) && replicas > 1: // servers may still be starting, and what is made with too few stays so
			s.d.scarce++
			return nil, &Problem{cfg.Name, fmt.Sprintf("the cluster has no %d servers with room for it now", replicas), "start the others; after a while it is made with fewer replicas"}
		case isAPI(err, errInsufficient, errNoStorage) && bytes > leastBytes:
			bytes /= 2
		case isAPI(err, errInsufficient, errNoStorage):
			return nil, &Problem{cfg.Name, "the bus has no room for it", fmt.Sprintf("give the account at least %d MiB of file storage", (leastBytes+heldBytes)>>20)}
		case isAPI(err, errOverlap):
			return nil, &Problem{cfg.Name, "another stream of this bus takes its subjects already: " + s.overlapping(ctx, cfg.Subjects),
				"let that stream take other subjects, or use another bus or account"}
		default:
			return nil, err
		}
	}
}

// overlapping names the streams that take some of the subjects.
func (s *session) overlapping(ctx context.Context, subjects []string) string {
	var names []string
	for _, subject := range subjects {
		var list struct {
			Streams []string `json:"streams"`
		}
		if err := s.call(ctx, "STREAM.NAMES", map[string]string{"subject": subject}, &list); err != nil {
			return "(it may not be asked which)"
		}
		names = append(names, list.Streams...)
	}
	slices.Sort(names)
	return strings.Join(slices.Compact(names), ", ")
}

// probe finds out whether this device may publish where it must, with a message that no stream takes.
func (s *session) probe(ctx context.Context) error {
	c := s.d.cfg
	subjects := []string{replicate.Subject(c.Shop, replicate.SubjectLog, c.Device), replicate.Subject(c.Shop, replicate.SubjectCarry, c.Device)}
	if c.Desk { // to others it is said by their bus, which knows who was replaced
		subjects = append(subjects, replicate.Subject(c.Shop, replicate.SubjectHeld, c.Device), replicate.Subject(c.Shop, replicate.SubjectLog, c.Shop))
	}
	for _, subject := range subjects {
		_, err := s.send(ctx, subject, map[string]string{hExpectedStream: "no-stream-has-this-name"}, nil)
		switch {
		case isAPI(err, errOtherStream):
		case errors.Is(err, replicate.ErrDenied):
			return &Problem{"", "this device may not publish on " + subject, "allow it at the server, or on a desk's bus pair this device again"}
		case err == nil:
			return &Problem{"", subject + " takes any message", "let nothing but this shop's streams take it"}
		default:
			return err
		}
	}
	return nil
}
