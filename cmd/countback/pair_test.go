package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/rand"
	"fmt"
	"image"
	"image/color"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	qr "github.com/piglig/go-qr"
)

// talk is a command that runs beside the test, which reads what it says and types answers.
type talk struct {
	t      *testing.T
	in     *io.PipeWriter
	mu     sync.Mutex
	said   strings.Builder
	more   *sync.Cond
	over   bool
	status int
	cancel context.CancelFunc
}

// lines collects what a stream says.
type stream struct{ k *talk }

func (s stream) Write(p []byte) (int, error) {
	s.k.mu.Lock()
	defer s.k.mu.Unlock()
	s.k.said.Write(p)
	s.k.more.Broadcast()
	return len(p), nil
}

// start runs a command on a folder with the real clock and chance, as connections need.
func start(t *testing.T, data string, setUp func(*Main), args ...string) *talk {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	in, typed := io.Pipe()
	k := &talk{t: t, in: typed, cancel: cancel}
	k.more = sync.NewCond(&k.mu)
	m := mainOn(data, in, stream{k}, stream{k}, args...)
	if setUp != nil {
		setUp(m)
	}
	go func() {
		status := m.Run(ctx)
		k.mu.Lock()
		defer k.mu.Unlock()
		k.over, k.status = true, status
		k.more.Broadcast()
	}()
	t.Cleanup(func() {
		cancel()
		typed.Close()
		k.end()
	})
	return k
}

func mainOn(data string, in io.Reader, out, errs io.Writer, args ...string) *Main {
	return &Main{Args: args, Stdin: in, Stdout: out, Stderr: errs, Now: time.Now, Entropy: rand.Reader, Version: "test", Build: "test", Getenv: func(name string) string {
		if name == "COUNTBACK_DATA" {
			return data
		}
		return ""
	}}
}

// hear waits until the command has said what a pattern finds, and returns its first group.
func (k *talk) hear(pattern string) string {
	k.t.Helper()
	re := regexp.MustCompile(pattern)
	k.mu.Lock()
	defer k.mu.Unlock()
	for {
		if m := re.FindStringSubmatch(k.said.String()); m != nil {
			return m[1]
		}
		if k.over {
			k.t.Fatalf("it ended (%d) without saying %q:\n%s", k.status, pattern, k.said.String())
		}
		k.more.Wait()
	}
}

func (k *talk) typeIn(text string) {
	k.t.Helper()
	if _, err := io.WriteString(k.in, text+"\n"); err != nil {
		k.t.Fatal(err)
	}
}

// end waits for the command's end and returns its status.
func (k *talk) end() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	for !k.over {
		k.more.Wait()
	}
	return k.status
}

func (k *talk) all() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.said.String()
}

const linkPattern = `(https://\S+/#(?:pair|recover)/\S+)`

// onFolder runs one command to its end on a folder.
func onFolder(t *testing.T, data string, args ...string) string {
	t.Helper()
	out, errs, status := tryOn(data, args...)
	if status != 0 {
		t.Fatalf("countback %s: %d %s", strings.Join(args, " "), status, errs)
	}
	return out
}

// tryOn runs one command to its end. One that goes on running, as serve does where it should have refused, is stopped and has failed.
func tryOn(data string, args ...string) (out, errs string, status int) {
	ctx, stop := context.WithTimeout(context.Background(), 2*time.Minute)
	defer stop()
	var o, e bytes.Buffer
	status = mainOn(data, strings.NewReader(""), &o, &e, args...).Run(ctx)
	if ctx.Err() != nil {
		return o.String(), e.String() + "\nit was still running after two minutes", -1
	}
	return o.String(), e.String(), status
}

// foundShop starts a shop with a few facts in a folder and returns the folder.
func foundShop(t *testing.T) string {
	t.Helper()
	data := filepath.Join(t.TempDir(), "desk")
	onFolder(t, data, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	onFolder(t, data, "item", "board", "--name", "Board stiffener", "--type", "supply", "--unit", "each", "--pack", "box=150")
	onFolder(t, data, "restock", "board", "2", "box", "--cost", "64")
	return data
}

// joinDesk lets a second desk join through the commands and returns its folder.
func joinDesk(t *testing.T, data, name string) string {
	t.Helper()
	second := filepath.Join(t.TempDir(), name)
	desk := start(t, data, nil, "pair", "--listen", "127.0.0.1:0")
	other := start(t, second, nil, "pair", "--join", desk.hear(linkPattern), "--device", name)
	digits := other.hear(`Type these digits at the desk of Fennimoor Paper: (\d{3} \d{3})`)
	desk.hear(`(A second desk, "` + name + `", wants to join)`)
	desk.typeIn(digits)
	if s := other.end(); s != 0 {
		t.Fatal(other.all())
	}
	if s := desk.end(); s != 0 {
		t.Fatal(desk.all())
	}
	return second
}

func TestASecondDeskJoins(t *testing.T) {
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	if a, b := onFolder(t, data, "stock", "--json"), onFolder(t, second, "stock", "--json"); a != b {
		t.Errorf("the two desks differ:\n%s\n%s", a, b)
	}
	onFolder(t, second, "damage", "board", "3", "--reason", "damaged")
	out := onFolder(t, data, "devices", "--format", "csv")
	if !strings.Contains(out, "attic,desk") || strings.Count(out, "\n") != 3 {
		t.Error(out)
	}
	for _, dir := range []string{data, second} {
		if out := onFolder(t, dir, "verify", "--signatures"); !strings.Contains(out, "2") {
			t.Error(out)
		}
	}
	// What the second desk has recorded comes back by a hand-over file, twice.
	file := filepath.Join(t.TempDir(), "file")
	onFolder(t, second, "handover", file)
	if out := onFolder(t, data, "import", "handover", file); !strings.Contains(out, "1 new event") {
		t.Error(out)
	}
	if out := onFolder(t, data, "import", "handover", file); !strings.Contains(out, "0 new events") {
		t.Error(out)
	}
	if a, b := onFolder(t, data, "stock", "--json"), onFolder(t, second, "stock", "--json"); a != b || !strings.Contains(a, `"297"`) {
		t.Errorf("the two desks differ:\n%s\n%s", a, b)
	}
	// Only the keeper admits and revokes.
	for _, args := range [][]string{{"pair", "--listen", "127.0.0.1:0"}, {"revoke", "desk"}} {
		if _, errs, status := tryOn(second, args...); status != statusUse || !strings.Contains(errs, "keeper") {
			t.Error(args, status, errs)
		}
	}
	onFolder(t, data, "revoke", "attic", "--reason", "sold")
	if _, errs, status := tryOn(data, "revoke", "attic"); status != statusUse || !strings.Contains(errs, "revoked already") {
		t.Error(status, errs)
	}
	if out := onFolder(t, data, "devices"); !strings.Contains(out, "revoked after its event 2") {
		t.Error(out)
	}
}

// A desk that is a member learns that another one has another address.
func TestAMemberGoesToAnotherDoor(t *testing.T) {
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	before := peersOf(t, second)
	desk := start(t, data, nil, "pair", "--listen", "127.0.0.1:0")
	link := desk.hear(linkPattern)
	if out := onFolder(t, second, "pair", "--join", link); !strings.Contains(out, "belongs to Fennimoor Paper already") {
		t.Error(out)
	}
	if after := peersOf(t, second); after == before || strings.Count(after, "base") != 1 {
		t.Errorf("%s, after %s", after, before)
	}
	other := foundShop(t)
	if _, errs, status := tryOn(other, "pair", "--join", link); status != statusUse || !strings.Contains(errs, "of another shop") {
		t.Error(status, errs)
	}
	if _, errs, status := tryOn(data, "pair", "--join", link); status != statusUse || !strings.Contains(errs, "this desk's own") {
		t.Error(status, errs)
	}
	third := start(t, filepath.Join(t.TempDir(), "third"), nil, "pair", "--join", link) // the code is still good
	third.hear(`(Type these digits)`)
}

// A door that listens to the whole network has its stable name in the code, or on demand the machine's address.
func TestTheNameInTheCode(t *testing.T) {
	data := foundShop(t)
	for _, bare := range []bool{false, true} {
		desk := start(t, data, nil, "pair", "--listen", ":0", fmt.Sprintf("--bare=%v", bare))
		link := desk.hear(linkPattern)
		named := strings.Contains(link, ".local:")
		if named && bare {
			t.Error(link)
		}
		if named {
			desk.hear(`(adds --address \S+:\d+\.)`)
			if !strings.Contains(link, "https://countback-") {
				t.Error(link)
			}
		}
		desk.cancel()
		desk.end()
	}
}

func peersOf(t *testing.T, data string) (all string) {
	t.Helper()
	for name, value := range notesOf(t, data) {
		if strings.HasPrefix(name, "pair/peer/") {
			all += value
		}
	}
	return all
}

func TestPairingThatFails(t *testing.T) {
	data := foundShop(t)
	second := filepath.Join(t.TempDir(), "second")
	gone := func(when string) {
		t.Helper()
		if _, err := os.Stat(second); err == nil {
			if list, _ := os.ReadDir(second); len(list) > 0 {
				t.Errorf("%s: the folder holds %v", when, list)
			}
		}
	}
	desk := start(t, data, nil, "pair", "--listen", "127.0.0.1:0")
	link := desk.hear(linkPattern)
	wrongCode := strings.Replace(link, "/#pair/", "/#pair/aaaa", 1)
	for _, c := range []struct {
		code string
		want string
	}{
		{"nonsense", "isn't a pairing code"},
		{wrongCode, "isn't a pairing code"},
		{regexp.MustCompile(`pair/.{24}`).ReplaceAllString(link, "pair/aaaaaaaaaaaaaaaaaaaaaaaa"), "pairing code"},
		{link[:len(link)-26] + strings.Repeat("a", 26), "isn't the one that made the code"},
	} {
		_, errs, status := tryOn(second, "pair", "--join", c.code)
		if status != statusUse || !strings.Contains(errs, c.want) && !strings.Contains(errs, "the code isn't the one that is open") {
			t.Errorf("%s: %d %s", c.want, status, errs)
		}
		gone(c.want)
	}
	other := start(t, second, nil, "pair", "--join", link)
	digits := strings.ReplaceAll(other.hear(`Paper: (\d{3} \d{3})`), " ", "")
	if _, errs, status := tryOn(filepath.Join(t.TempDir(), "third"), "pair", "--join", link); status != statusUse || !strings.Contains(errs, "used already") {
		t.Error(status, errs)
	}
	wrong := "000000"
	if digits == wrong {
		wrong = "000001"
	}
	desk.typeIn(wrong)
	desk.hear(`(once more is allowed)`)
	desk.typeIn(wrong)
	if s := desk.end(); s != statusUse || !strings.Contains(desk.all(), "wrong twice ends the code") {
		t.Error(s, desk.all())
	}
	if s := other.end(); s == 0 {
		t.Error(other.all())
	}
	gone("wrong digits twice")
	if _, errs, status := tryOn(second, "pair", "--join", link); status != statusMachine || !strings.Contains(errs, "couldn't be reached") {
		t.Error("after the desk has closed its door:", status, errs)
	}
	gone("nobody there")
	if err := os.WriteFile(filepath.Join(second, "letter.txt"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, errs, status := tryOn(second, "pair", "--join", link); status != statusUse || !strings.Contains(errs, "isn't empty") {
		t.Error(status, errs)
	}
}

// The keeper's desk is lost. A new one starts from the second desk's hand-over file and becomes the keeper by its word.
func TestANewDeskAfterALoss(t *testing.T) {
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	file := filepath.Join(t.TempDir(), "file")
	onFolder(t, second, "handover", file)
	if err := os.RemoveAll(data); err != nil {
		t.Fatal(err)
	}
	fresh := filepath.Join(t.TempDir(), "fresh")
	if out := onFolder(t, fresh, "init", "--from", file); !strings.Contains(out, "countback pair") {
		t.Error(out)
	}
	if a, b := onFolder(t, fresh, "stock", "--json"), onFolder(t, second, "stock", "--json"); a != b {
		t.Errorf("differs:\n%s\n%s", a, b)
	}
	if _, errs, status := tryOn(fresh, "damage", "board", "1", "--reason", "damaged"); status != statusUse || !strings.Contains(errs, "not part of the shop yet") {
		t.Error(status, errs)
	}
	desk := start(t, fresh, nil, "pair", "--listen", "127.0.0.1:0", "--device", "new desk")
	link := desk.hear(linkPattern)
	left := start(t, second, nil, "pair", "--join", link)
	left.hear(`(Do it only if that one is lost)`)
	left.typeIn(desk.hear(`Type these digits at "attic": (\d{3} \d{3})`))
	if s := desk.end(); s != 0 {
		t.Fatal(desk.all())
	}
	if s := left.end(); s != 0 {
		t.Fatal(left.all())
	}
	onFolder(t, fresh, "damage", "board", "1", "--reason", "damaged")
	if out := onFolder(t, fresh, "devices"); !regexp.MustCompile(`new desk\s+desk\s+this device, keeper`).MatchString(out) {
		t.Error(out)
	}
	if out := onFolder(t, fresh, "verify", "--signatures"); strings.Contains(out, "fault") && !strings.Contains(out, "no fault") {
		t.Error(out)
	}
	// The device that is left learns of it as of everything.
	file += "2"
	onFolder(t, fresh, "handover", file)
	onFolder(t, second, "import", "handover", file)
	if out := onFolder(t, second, "devices"); !regexp.MustCompile(`new desk\s+desk\s+keeper`).MatchString(out) {
		t.Error(out)
	}
}

func TestHandoverFilesThatArentTaken(t *testing.T) {
	data := foundShop(t)
	file := filepath.Join(t.TempDir(), "file")
	onFolder(t, data, "handover", file)
	if _, errs, status := tryOn(data, "handover", file); status != statusUse || !strings.Contains(errs, "there already") {
		t.Error(status, errs)
	}
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	bad := file + ".bad"
	for _, n := range []int{0, 20, len(whole) / 2, len(whole) - 1} {
		if err := os.WriteFile(bad, whole[:n], 0o600); err != nil {
			t.Fatal(err)
		}
		for _, args := range [][]string{{"import", "handover", bad}, {"init", "--from", bad}} {
			dir := data
			if args[0] == "init" {
				dir = filepath.Join(t.TempDir(), "x")
			}
			if _, errs, status := tryOn(dir, args...); status != statusUse || !strings.Contains(errs, "isn't a whole hand-over file") || strings.Count(errs, "\n") != 1 {
				t.Errorf("%v with %d bytes: %d %s", args, n, status, errs)
			}
		}
	}
	other := foundShop(t)
	if _, errs, status := tryOn(other, "import", "handover", file); status != statusUse || !strings.Contains(errs, "another shop") {
		t.Error(status, errs)
	}
	if _, errs, status := tryOn(data, "init", "--from", file); status != statusUse || !strings.Contains(errs, "a ledger is here already") {
		t.Error(status, errs)
	}
	if _, errs, status := tryOn(data+"2", "init", "--from", file, "--shop", "X"); status != statusUse || !strings.Contains(errs, "leave it out") {
		t.Error(status, errs)
	}
}

// No key, code or seed is in anything that leaves the desk but a backup.
func TestSecretsLeaveWithNothing(t *testing.T) {
	data := foundShop(t)
	desk := start(t, data, nil, "pair", "--listen", "127.0.0.1:0")
	link := desk.hear(linkPattern)
	code := strings.Split(link[strings.Index(link, "#"):], "/")[1]
	seed, err := os.ReadFile(keyPath(data))
	if err != nil {
		t.Fatal(err)
	}
	pem, err := os.ReadFile(filepath.Join(data, authorityFile))
	if err != nil {
		t.Fatal(err)
	}
	_, private, ok := strings.Cut(string(pem), "BEGIN PRIVATE KEY-----\n")
	if !ok {
		t.Fatal("no key in the authority's file")
	}
	file := filepath.Join(t.TempDir(), "file")
	var left strings.Builder
	for _, args := range [][]string{
		{"handover", file}, {"export", "events"}, {"export", "events", "--facts"}, {"devices", "--json"}, {"devices"}, {"review", "--json"}, {"verify", "--json"}, {"stock", "--json"},
		{"pair", "--join", link, "--json"}, {"pair", "--join", link + "x"}, {"pair", "--join", strings.Replace(link, "https", "http", 1), "--json"},
	} {
		out, errs, _ := tryOn(data, args...)
		left.WriteString(out + errs)
	}
	text, err := exportedText(file)
	if err != nil {
		t.Fatal(err)
	}
	left.WriteString(text)
	if !strings.Contains(left.String(), "Board stiffener") {
		t.Error("nothing was looked at")
	}
	for name, secret := range map[string]string{"the seed": strings.TrimSpace(string(seed)), "the authority's key": private[:40], "the code": code} {
		if strings.Contains(left.String(), secret) {
			t.Error(name, "got out")
		}
	}
	for _, name := range []string{ledgerFile, ledgerFile + "-wal"} { // the code isn't even at the desk
		b, err := os.ReadFile(filepath.Join(data, name))
		if err == nil && bytes.Contains(b, []byte(code)) {
			t.Error("the code stands in", name)
		}
	}
	for _, name := range []string{keyFile, authorityFile} {
		if info, err := os.Stat(filepath.Join(data, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Error(name, info.Mode(), err)
		}
	}
	desk.cancel()
	if s := desk.end(); s != statusMachine {
		t.Error(s, desk.all())
	}
}

// What is drawn is read by a scanner of its own.
func TestTheDrawnCode(t *testing.T) {
	m, _, _ := newBench(t).main("")
	const link = "https://countback-k3v7qa.local:8743/#pair/abcdefghijklmnopqrstuvwxyz/234567abcdefghijklmnopqrst"
	text, err := m.qrText(link)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	const px = 4
	w := len([]rune(lines[0]))
	img := image.NewGray(image.Rect(0, 0, w*px, len(lines)*2*px))
	for y, l := range lines {
		for x, r := range []rune(l) {
			for i, light := range []bool{r == '█' || r == '▀', r == '█' || r == '▄'} {
				for p := range px * px {
					if light {
						img.SetGray(x*px+p%px, (2*y+i)*px+p/px, color.Gray{Y: 255})
					}
				}
			}
		}
	}
	if got, err := qr.Decode(img); err != nil || got != link {
		t.Errorf("%q %v\n%s", got, err, text)
	}
	if w > 80 {
		t.Errorf("%d characters wide", w)
	}
	m.Terminal = true
	if text, err := m.qrText(link); err != nil || !strings.HasPrefix(text, "\x1b[97;40m") {
		t.Error("no colours", err)
	}
}

// exportedText is what stands in a hand-over file.
func exportedText(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	zip, err := gzip.NewReader(bufio.NewReader(f))
	if err != nil {
		return "", err
	}
	b, err := io.ReadAll(zip)
	return string(b), err
}
