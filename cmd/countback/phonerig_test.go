package main

import (
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"countback/cmd/recorder/browser"
	"countback/cmd/recorder/tour"
)

// phoneMade is the folder of the recorder's build, once there is one.
var phoneMade string

// phoneBuild is the recorder, built once for all tests of this process.
var phoneBuild = sync.OnceValues(func() (string, error) {
	if dir := os.Getenv("COUNTBACK_TEST_RECORDER"); dir != "" { // built before
		return dir, nil
	}
	dir, err := os.MkdirTemp("", "countback-recorder")
	if err != nil {
		return "", err
	}
	phoneMade = dir
	cmd := exec.Command("go", "run", "countback/cmd/recorder/build", "-into", dir, "-quick", "-quiet")
	cmd.Stderr = os.Stderr
	return dir, cmd.Run()
})

// dropBuild removes it.
func dropBuild() {
	if phoneMade != "" {
		_ = os.RemoveAll(phoneMade) // it is in the folder for temporary files
	}
}

// needPhone skips a test where there is no browser; in CI that is a failure.
func needPhone(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("no browser with -short")
	}
	if _, err := exec.LookPath("chromium"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("chromium is missing, and this suite is required: apt-get install chromium")
		}
		t.Skip("chromium is missing: apt-get install chromium; in CI this is a failure")
	}
}

// cart is a desk that serves the recorder, a wire to it, and a phone.
type cart struct {
	t     *testing.T
	data  string // the desk's folder
	port  string // of the desk's door
	serve *talk
	wire  *browser.Wire
	dir   string // of the browser
	*browser.Phone
}

// newCart starts a desk on a folder, and a phone that hasn't joined.
func newCart(t *testing.T, data string) *cart {
	t.Helper()
	needPhone(t)
	c := &cart{t: t, data: data, port: freePort(t), dir: filepath.Join(t.TempDir(), "browser")}
	var err error
	if c.wire, err = browser.NewWire("127.0.0.1:" + c.port); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.wire.Close() })
	c.open()
	c.begin()
	return c
}

// open starts the desk's serve.
func (c *cart) open() {
	c.t.Helper()
	dir, err := phoneBuild()
	c.do(err)
	c.openWith(dir)
}

// openWith starts it with another build of the recorder.
func (c *cart) openWith(dir string) {
	c.t.Helper()
	c.serve = start(c.t, c.data, func(m *Main) { m.Recorder = os.DirFS(dir) }, "serve", "--listen", "127.0.0.1", "--port", c.port, "--bare", "--pages", "0")
	c.serve.hear(`is open at (https://\S+)`)
}

// begin switches the phone on.
func (c *cart) begin(flags ...string) {
	c.t.Helper()
	var err error
	if c.Phone, err = browser.Start(c.t.Context(), browser.Options{Folder: c.dir, Trust: spkiOf(c.t, c.data), Flags: flags}); err != nil {
		c.t.Fatal(err)
	}
	p := c.Phone
	c.t.Cleanup(func() {
		if c.t.Failed() {
			c.t.Logf("console:\n%s", strings.Join(p.Said(), "\n"))
		}
		p.Close()
	})
}

// spkiOf is the key of a desk's authority as Chromium trusts it.
func spkiOf(t *testing.T, data string) string {
	t.Helper()
	a, err := readAuthority(filepath.Join(data, authorityFile))
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(cert.RawSubjectPublicKeyInfo)
	return base64.StdEncoding.EncodeToString(sum[:])
}

// do fails the test on an error of any step.
func (c *cart) do(steps ...error) {
	c.t.Helper()
	for _, err := range steps {
		if err != nil {
			c.t.Fatal(err)
		}
	}
}

// at is an address of the recorder, by the wire.
func (c *cart) at(hash string) string { return "https://" + c.wire.Address() + "/" + hash }

// pairing opens one at the desk. It returns the part of the link behind #, and what types digits there.
func (c *cart) pairing() (link string, digits func(string) error) {
	c.t.Helper()
	pair := start(c.t, c.data, nil, "pair", "--json")
	var made struct {
		Link string `json:"link"`
	}
	text := pair.hear(`(?s)(\{.*?\n\})`)
	if err := json.Unmarshal([]byte(text), &made); err != nil {
		c.t.Fatal(err, text)
	}
	_, code, _ := strings.Cut(made.Link, "/#")
	return "#" + code, func(shown string) error {
		pair.hear(`(wants to join)`)
		pair.typeIn(shown)
		if s := pair.end(); s != 0 {
			return errors.New(pair.all())
		}
		return nil
	}
}

// join pairs the phone with the desk, through the page and the command.
func (c *cart) join(name string) {
	c.t.Helper()
	link, digits := c.pairing()
	c.do(tour.Join(c.Phone, c.at(""), link, name, digits, func(string) error { return nil }))
}

// events are those that the desk holds of the device of a name, as exported, without the first.
func (c *cart) events(name string) []map[string]any {
	c.t.Helper()
	var list []map[string]any
	device := ""
	for line := range strings.Lines(onFolder(c.t, c.data, "export", "events")) {
		var e map[string]any
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			c.t.Fatal(err, line)
		}
		data, _ := e["data"].(map[string]any)
		switch {
		case e["type"] == "countback.device.v1" && data["name"] == name:
			device, _ = e["source"].(string)
		case e["source"] == device:
			list = append(list, e)
		}
	}
	return list
}
