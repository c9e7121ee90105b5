package main

import (
	"bufio"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"

	"countback/cmd/recorder/browser"
	"countback/cmd/recorder/tour"
)

// studio is where pictures are taken.
type studio struct {
	ctx                      context.Context
	into, dir, program, shop string
	door                     string // HOST:PORT
	errors                   io.Writer
}

// all takes every picture.
func (s *studio) all() error {
	if out, err := s.command("demo", "--keep", s.shop).CombinedOutput(); err != nil {
		return fmt.Errorf("the demo shop: %w\n%s", err, out)
	}
	stop, err := s.serve()
	if err != nil {
		return err
	}
	defer stop()
	trust, err := s.trust()
	if err != nil {
		return err
	}
	for _, look := range []struct {
		name          string
		dark          bool
		width, height int64
		letters       string
	}{{"light", false, 390, 780, ""}, {"dark", true, 390, 780, ""}, {"narrow", false, 320, 568, "200%"}} {
		p, err := browser.Start(s.ctx, browser.Options{Folder: filepath.Join(s.dir, look.name), Width: look.width, Height: look.height, Dark: look.dark, Trust: trust})
		if err != nil {
			return err
		}
		err = s.pictures(p, look.name, look.letters)
		p.Close()
		if err != nil {
			return err
		}
	}
	return nil
}

func (s *studio) pictures(p *browser.Phone, look, letters string) error {
	if letters != "" {
		if err := p.EachTime(`addEventListener("DOMContentLoaded", () => { document.documentElement.style.fontSize = "` + letters + `" })`); err != nil {
			return err
		}
	}
	n := 0
	at := func(name string) error {
		n++
		picture, err := p.Picture(false)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(s.into, fmt.Sprintf("%s-%02d-%s.png", look, n, name)), picture, 0o644)
	}
	link, digits, err := s.pair()
	if err != nil {
		return err
	}
	if err := tour.Join(p, "https://"+s.door+"/", link, "Phone "+look, digits, at); err != nil {
		return err
	}
	if err := p.See("All entries of this phone are safe"); err != nil && !errors.Is(err, browser.ErrMissing) {
		return err
	}
	return tour.Walk(p, at)
}

func (s *studio) command(args ...string) *exec.Cmd {
	cmd := exec.CommandContext(s.ctx, s.program, append([]string{"--data", s.shop}, args...)...)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	return cmd
}

var opened = regexp.MustCompile(`is open at https://(\S+) for`)

// serve starts the desk on loopback, and waits until its door is open.
func (s *studio) serve() (stop func(), err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	_, port, _ := net.SplitHostPort(l.Addr().String())
	if err := l.Close(); err != nil {
		return nil, err
	}
	cmd := s.command("serve", "--listen", "127.0.0.1", "--port", port, "--bare", "--pages", "0")
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	cmd.Stderr = s.errors
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	stop = func() {
		_ = cmd.Process.Signal(os.Interrupt) // it ends either way
		_ = cmd.Wait()
	}
	said := ""
	for lines := bufio.NewScanner(out); lines.Scan(); {
		said += lines.Text() + " "
		if m := opened.FindStringSubmatch(said); m != nil {
			s.door = m[1]
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return stop, nil
		}
	}
	stop()
	return nil, fmt.Errorf("the desk doesn't serve: %s", said)
}

// trust is the key of the desk's certificate authority as Chromium takes it.
func (s *studio) trust() (string, error) {
	text, err := os.ReadFile(filepath.Join(s.shop, "authority.pem"))
	if err != nil {
		return "", err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return "", errors.New("authority.pem holds no certificate")
	}
	cert, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return "", err
	}
	// The door must be that of this authority, or the browser would speak to somebody else.
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	c, err := tls.Dial("tcp", s.door, &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13})
	if err != nil {
		return "", err
	}
	_ = c.Close() // it was opened to be looked at
	sum := sha256.Sum256(cert.RawSubjectPublicKeyInfo)
	return base64.StdEncoding.EncodeToString(sum[:]), nil
}

// pair opens a pairing and returns the part of its link behind #, and what types the digits.
func (s *studio) pair() (link string, digits func(string) error, err error) {
	cmd := s.command("pair", "--json")
	in, err := cmd.StdinPipe()
	if err != nil {
		return "", nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return "", nil, err
	}
	if err := cmd.Start(); err != nil {
		return "", nil, err
	}
	var made struct {
		Link string `json:"link"`
	}
	if err := json.NewDecoder(out).Decode(&made); err != nil {
		return "", nil, errors.Join(fmt.Errorf("the desk shows no code: %w", err), cmd.Process.Kill(), cmd.Wait())
	}
	_, code, _ := strings.Cut(made.Link, "/#")
	return "#" + code, func(shown string) error {
		if _, err := io.WriteString(in, shown+"\n"); err != nil {
			return err
		}
		return cmd.Wait()
	}, nil
}
