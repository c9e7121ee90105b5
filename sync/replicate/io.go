package replicate

import (
	"errors"
	"time"
)

// Input is something that has happened: one of the types of this file that say so.
type Input interface{ input() }

// Output is something to be done: one of the types of this file that say so.
type Output interface{ output() }

// Inputs.
type (
	// Tick says that time has passed. It must come at the latest when a Wake asked for it; more are harmless.
	Tick struct{}

	// Changed says that somebody else, in this process or another, has written to the store.
	Changed struct{}

	// Up says that a bus can be reached, and what its log stream is like. It comes before anything else of that bus, again after each Down, and whenever the
	// bus may have lost something it had acknowledged: after its server was started anew, or another one of its cluster has taken over.
	Up struct {
		Bus      string // this bus's name, the same as long as it is the same place
		Created  int64  // when the stream was created, ns since 1970: another number is another stream
		Last     uint64 // the stream's last sequence, 0 if it is empty
		Batch    int    // how many messages fit into one atomic batch; below 2: it takes none
		SameDisk bool   // the bus keeps its messages on the same disk as this device
		Download bool   // the hand-over file can be fetched from here
	}

	// Down says that a bus can't be reached. What was asked of it is forgotten: later answers are passed over.
	Down struct {
		Bus string
		Err error // why, for the report; may be nil
	}

	// Messages answers a Fetch with the messages of the log stream right behind After, in the order of their sequences, none left out; an empty list says
	// that none has come for a while.
	Messages struct {
		Bus  string
		Op   int64
		List []Message
	}

	// Held is a receipt as it stands on the bus: after each Up the newest of every device, then each new one. More than once is harmless.
	Held struct {
		Bus    string
		Device string // the last part of its subject
		Body   []byte
	}

	// Published answers a Publish. A batch is on the stream as a whole or not at all; Seq is the sequence of its last message.
	Published struct {
		Bus string
		Op  int64
		Seq uint64
		Err error // nil, or one that wraps ErrWrongLast, ErrFull, ErrDenied or ErrTooLarge; any other leaves open whether it happened
	}

	// Found answers a Look: the last message of a subject, nil if there is none.
	Found struct {
		Bus     string
		Op      int64
		Message *Message
		Err     error
	}

	// Downloaded answers a Download with a part of the hand-over file.
	Downloaded struct {
		Bus      string
		Op       int64
		Lines    [][]byte
		Receipts [][]byte
		Place    []byte // with the last part: what the sender's Machine.Place said before it read the first line; nil if it said nothing
		Done     bool   // this was the last part
		Err      error
	}

	// File is a part of a hand-over file that a person gave.
	File struct {
		Lines    [][]byte
		Receipts [][]byte
	}
)

// Outputs.
type (
	// Fetch asks for the messages of the log stream behind After, at most Max and about 8 MiB of them. It is answered as soon as there is one, and after at
	// most 30 seconds with an empty list. A later Fetch takes the place of an earlier one. After may lie before what was fetched earlier.
	Fetch struct {
		Bus   string
		Op    int64
		After uint64
		Max   int
	}

	// Publish asks to store messages on one subject, in their order, all or none. If Expected is set the bus must refuse with ErrWrongLast unless the
	// subject's last message has the sequence Last (0: the subject is empty).
	Publish struct {
		Bus      string
		Op       int64
		Subject  string
		Bodies   [][]byte
		Expected bool
		Last     uint64
	}

	// Look asks for the last message of a subject of the log stream.
	Look struct {
		Bus     string
		Op      int64
		Subject string
	}

	// Download asks for the hand-over file that the bus's desk offers.
	Download struct {
		Bus string
		Op  int64
	}

	// Keep says that messages up to Seq need not be delivered again after a crash: an acknowledgement for a bus that counts by itself. It trails the cursor by
	// one message, which the next Up compares.
	Keep struct {
		Bus string
		Seq uint64
	}

	// Took says that events of others are in the store now. After Cut, the end of a log was replaced, and what was computed before must be computed anew.
	Took struct {
		Events int
		Cut    bool
	}

	// Wake asks for a Tick after In at the latest. The newest counts.
	Wake struct{ In time.Duration }
)

func (Tick) input()       {}
func (Changed) input()    {}
func (Up) input()         {}
func (Down) input()       {}
func (Messages) input()   {}
func (Held) input()       {}
func (Published) input()  {}
func (Found) input()      {}
func (Downloaded) input() {}
func (File) input()       {}

func (Fetch) output()    {}
func (Publish) output()  {}
func (Look) output()     {}
func (Download) output() {}
func (Keep) output()     {}
func (Took) output()     {}
func (Wake) output()     {}
func (Report) output()   {}

// Message is one message of the log stream.
type Message struct {
	Seq     uint64 // its place in the stream, from 1
	Stored  int64  // when the bus stored it, by the bus's clock, ns since 1970
	Subject string
	Body    []byte // handed over: the machine keeps it
}

// What a bus may answer to a Publish.
var (
	ErrWrongLast = errors.New("the subject has another last message")
	ErrFull      = errors.New("the bus is full")
	ErrDenied    = errors.New("the bus doesn't allow it")
	ErrTooLarge  = errors.New("the message is too large for the bus")
)
