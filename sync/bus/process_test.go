//go:build !js

package bus_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"countback/ledger/key"
	"countback/ledger/store/storetest"
	"countback/sync/bus"
	"countback/sync/replicate"
	"countback/sync/replicate/drivertest"
	"countback/sync/rights"
)

// nodeVar says to the test binary that it is a server, and which.
const nodeVar = "COUNTBACK_TEST_NODE"

func TestMain(m *testing.M) {
	if text := os.Getenv(nodeVar); text != "" {
		runNode(text)
	}
	os.Exit(m.Run())
}

// node is a NATS server of its own process.
type node struct {
	Name    string
	Folder  string
	Port    int
	Cluster int // its port for the others, 0 for a server by itself
	Routes  []string
	Users   []nodeUser // by their keys; none: everybody may do everything
	Lazy    bool       // it doesn't sync its writes
}

type nodeUser struct {
	Key                string
	Publish, Subscribe []string // none: everything
}

// runNode is the server's process. It ends when its standard input does, or when it is killed.
func runNode(text string) {
	var n node
	if err := json.Unmarshal([]byte(text), &n); err != nil {
		panic(err)
	}
	o := &server.Options{
		ServerName: n.Name, Host: "127.0.0.1", Port: n.Port, JetStream: true, StoreDir: n.Folder, SyncAlways: !n.Lazy, NoSigs: true, NoLog: true,
		JetStreamMaxStore: 2 << 30, JetStreamMaxMemory: 1 << 20,
	}
	for _, u := range n.Users {
		x := &server.NkeyUser{Nkey: u.Key}
		if u.Publish != nil {
			x.Permissions = &server.Permissions{Publish: &server.SubjectPermission{Allow: u.Publish}, Subscribe: &server.SubjectPermission{Allow: u.Subscribe}}
		}
		o.Nkeys = append(o.Nkeys, x)
	}
	if n.Cluster != 0 {
		o.Cluster = server.ClusterOpts{Name: "three", Host: "127.0.0.1", Port: n.Cluster}
		for _, r := range n.Routes {
			u, err := url.Parse(r)
			if err != nil {
				panic(err)
			}
			o.Routes = append(o.Routes, u)
		}
	}
	s, err := server.NewServer(o)
	if err != nil {
		panic(err)
	}
	s.Start()
	io.Copy(io.Discard, os.Stdin)
	s.Shutdown()
	s.WaitForShutdown()
	os.Exit(0)
}

// process is a running node.
type process struct {
	node
	t   testing.TB
	cmd *exec.Cmd
}

func (n node) start(t testing.TB) *process {
	t.Helper()
	p := &process{node: n, t: t}
	p.again()
	t.Cleanup(p.kill)
	return p
}

func (p *process) again() {
	text, err := json.Marshal(p.node)
	if err != nil {
		p.t.Fatal(err)
	}
	p.cmd = exec.Command(os.Args[0])
	p.cmd.Env = append(os.Environ(), nodeVar+"="+string(text))
	p.cmd.Stderr = os.Stderr
	if _, err = p.cmd.StdinPipe(); err != nil { // the server ends when the test does
		p.t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	for range 500 {
		if c, err := net.Dial("tcp", p.address()); err == nil {
			c.Close()
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	p.t.Fatalf("%s doesn't listen", p.Name)
}

func (p *process) address() string { return fmt.Sprintf("127.0.0.1:%d", p.Port) }
func (p *process) url() string     { return "nats://" + p.address() }

// kill ends the process without a warning.
func (p *process) kill() {
	p.cmd.Process.Kill()
	p.cmd.Wait()
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// to connects to servers, as a device if a key is given.
func to(servers string, k *key.Key) connector {
	return func(ctx context.Context, opts ...nats.Option) (*nats.Conn, error) {
		if k != nil {
			opts = append(opts, bus.AsDevice(k))
		}
		return bus.To(servers, "")(ctx, opts...)
	}
}

// userOf is what an administration would allow a device, by the package's own list.
func userOf(shop string, l *storetest.Log, desk bool) nodeUser {
	device := l.Key.Device()
	logs := device
	if desk {
		logs = "*"
	}
	u := nodeUser{Key: l.Key.Public(), Publish: []string{
		replicate.Subject(shop, "log", logs), replicate.Subject(shop, "carry", device), replicate.Subject(shop, "held", device),
	}, Subscribe: []string{rights.Inbox(device) + ".>", bus.Bell(shop), replicate.Subject(shop, "held", "*")}}
	for _, s := range []string{bus.Streams(shop).Log, bus.Streams(shop).Held} {
		u.Publish = append(u.Publish, "$JS.API.STREAM.INFO."+s, "$JS.API.DIRECT.GET."+s, "$JS.API.DIRECT.GET."+s+".>")
		if desk {
			u.Publish = append(u.Publish, "$JS.API.STREAM.CREATE."+s)
		}
	}
	return u
}

func TestSeparateProcess(t *testing.T) {
	t.Parallel()
	drivertest.Run(t, func(t *testing.T) *drivertest.Bus {
		desk := drivertest.Shop()
		n := node{Name: "alone", Folder: filepath.Join(t.TempDir(), "store"), Port: freePort(t), Users: []nodeUser{userOf(desk.Shop, desk, true)}}
		for i := byte(2); i < 4; i++ {
			n.Users = append(n.Users, userOf(desk.Shop, storetest.NewLog(i, desk.Shop), false))
		}
		p := n.start(t)
		return &drivertest.Bus{
			Connect: func(l *storetest.Log, isDesk bool) drivertest.Conn {
				return drive(desk.Shop, l, isDesk, to(p.url(), l.Key))
			},
			Batches: true, Rights: true, Now: time.Now(),
			Cut: func(drivertest.Conn) {
				p.kill()
				p.again()
			},
			Wipe: func() {
				p.kill()
				if err := os.RemoveAll(p.Folder); err != nil {
					t.Error(err)
				}
				p.again()
			},
		}
	})
}
