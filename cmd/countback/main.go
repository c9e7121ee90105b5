package main

import (
	"context"
	"crypto/rand"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"golang.org/x/term"
)

// The version of the program, set by the build; the module's own where it isn't.
var version = ""

// collectAt is how far the heap grows, in per cent of what was in use, before it is collected. A fold keeps nearly all that it allocates, and at the usual
// 100 a third of its time went into looking through that again and again. A million orders then need 0.65 GiB.
const collectAt = 300

func main() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(collectAt)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	m := &Main{
		Args:    os.Args[1:],
		Stdin:   os.Stdin,
		Stdout:  os.Stdout,
		Stderr:  os.Stderr,
		Getenv:  os.Getenv,
		Now:     time.Now,
		Entropy: rand.Reader,
		Machine: machine(),
		Version: version,
		Build:   build(),
	}
	m.Terminal = term.IsTerminal(int(os.Stdout.Fd()))
	m.ErrTerminal = term.IsTerminal(int(os.Stderr.Fd()))
	m.Asks = m.ErrTerminal && term.IsTerminal(int(os.Stdin.Fd()))
	if width, _, err := term.GetSize(int(os.Stdout.Fd())); err == nil && m.Terminal {
		m.Width = width
	}
	status := m.Run(ctx)
	stop()
	os.Exit(status)
}

// machine returns the system's own id of this machine, where it has one in a file (systemd's machine-id(5)).
func machine() string {
	b, err := os.ReadFile("/etc/machine-id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}
