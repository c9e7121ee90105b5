package bridge

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"countback/ledger/key"
	"countback/sync/rights"
)

const (
	mostLine    = 4096 // bytes of a line of the protocol, as the server has it
	mostHeader  = 1024
	mostPayload = 256 << 10
)

// errRefused is wrapped where something doesn't pass.
var errRefused = errors.New("refused")

func refuse(what string, args ...any) error {
	return fmt.Errorf("%w: "+what, append([]any{errRefused}, args...)...)
}

// pass hands over what a client sends, as it came, until something comes that isn't let through.
func pass(to io.Writer, from io.Reader) error {
	p := &passer{in: bufio.NewReaderSize(from, mostLine), out: bufio.NewWriterSize(to, 32<<10)}
	for {
		if err := p.one(); err != nil {
			return err
		}
		if p.in.Buffered() == 0 {
			if err := p.out.Flush(); err != nil {
				return err
			}
		}
	}
}

type passer struct {
	in    *bufio.Reader
	out   *bufio.Writer
	inbox string // of the device that the connection says it is; the server checks that
}

// one passes one operation.
func (p *passer) one() error {
	raw, err := p.in.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		return refuse("a line of more than %d bytes", mostLine)
	}
	if err != nil {
		return err
	}
	line, ok := strings.CutSuffix(string(raw), "\r\n")
	if !ok || strings.IndexFunc(line, func(r rune) bool { return r < ' ' || r > '~' }) >= 0 {
		return refuse("a line that isn't of the protocol")
	}
	name, rest, _ := strings.Cut(line, " ")
	args := strings.Fields(rest)
	head, size := 0, -1
	switch name {
	case "CONNECT":
		err = p.connect(rest)
	case "PING", "PONG":
		if len(args) > 0 {
			err = refuse("%s with something behind it", name)
		}
	case "SUB", "UNSUB":
		if len(args) == 0 || len(args) > 3 {
			err = refuse("%s with %d arguments", name, len(args))
		}
	case "PUB":
		size, err = p.publish(args, 0)
	case "HPUB":
		if head, err = number(args, 2); err == nil {
			size, err = p.publish(slices.Delete(slices.Clone(args), len(args)-2, len(args)-1), head)
		}
	default:
		err = refuse("an operation that devices don't need")
	}
	if err != nil {
		return err
	}
	if _, err := p.out.WriteString(line + "\r\n"); err != nil || size < 0 {
		return err
	}
	return p.payload(head, size)
}

// connect reads who the connection says it is, as the server reads it.
func (p *passer) connect(text string) error {
	var c struct {
		Nkey string `json:"nkey"`
	}
	if p.inbox != "" {
		return refuse("CONNECT twice")
	}
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return refuse("CONNECT without JSON")
	}
	device, err := key.DeviceOf(c.Nkey)
	if err != nil {
		return refuse("CONNECT without a device's key")
	}
	p.inbox = rights.Inbox(device) + "."
	return nil
}

// publish reads the arguments: a subject, perhaps a subject for the answer, and a size.
func (p *passer) publish(args []string, head int) (int, error) {
	size, err := number(args, 1)
	switch {
	case err != nil:
		return 0, err
	case len(args) < 2 || len(args) > 3:
		return 0, refuse("a publish with %d arguments", len(args))
	case p.inbox == "" || len(args) == 3 && !strings.HasPrefix(args[1], p.inbox):
		return 0, refuse("an answer that isn't for the device's own inbox")
	case size > mostPayload || head > mostHeader || head > size:
		return 0, refuse("a message of %d bytes with %d of headers", size, head)
	}
	return size, nil
}

// number reads the n-th argument from the end.
func number(args []string, n int) (int, error) {
	if len(args) < n {
		return 0, refuse("a publish without a size")
	}
	s := args[len(args)-n]
	v, err := strconv.Atoi(s)
	if err != nil || strconv.Itoa(v) != s || v < 0 {
		return 0, refuse("a size that is no number")
	}
	return v, nil
}

// payload passes headers and body.
func (p *passer) payload(head, size int) error {
	if head > 0 {
		block := make([]byte, head)
		if _, err := io.ReadFull(p.in, block); err != nil {
			return err
		}
		if err := headers(block); err != nil {
			return err
		}
		if _, err := p.out.Write(block); err != nil {
			return err
		}
	}
	if _, err := io.CopyN(p.out, p.in, int64(size-head)); err != nil {
		return err
	}
	var end [2]byte
	if _, err := io.ReadFull(p.in, end[:]); err != nil {
		return err
	}
	if string(end[:]) != "\r\n" {
		return refuse("a message that is longer than it says")
	}
	_, err := p.out.Write(end[:])
	return err
}

// passing are the headers that a driver sends.
var passing = []string{"Nats-Expected-Last-Subject-Sequence", "Nats-Expected-Stream", "Nats-Batch-Id", "Nats-Batch-Sequence", "Nats-Batch-Commit"}

func headers(block []byte) error {
	body, ok := bytes.CutSuffix(block, []byte("\r\n\r\n"))
	if !ok {
		return refuse("headers without an end")
	}
	lines := strings.Split(string(body), "\r\n")
	if lines[0] != "NATS/1.0" {
		return refuse("headers with a status")
	}
	var seen []string
	for _, l := range lines[1:] {
		k, v, ok := strings.Cut(l, ":")
		if !ok || !slices.Contains(passing, k) || slices.Contains(seen, k) {
			return refuse("a header that devices don't need")
		}
		if strings.IndexFunc(v, func(r rune) bool { return r < ' ' || r > '~' }) >= 0 {
			return refuse("a header that isn't text")
		}
		seen = append(seen, k)
	}
	return nil
}
