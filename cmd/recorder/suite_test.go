//go:build !js

package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"

	"countback/cmd/recorder/chromium"
)

const root = "../.."

// built builds a package for the browser into a temporary folder.
func built(tb testing.TB, args ...string) string {
	tb.Helper()
	out := filepath.Join(tb.TempDir(), "module.wasm")
	cmd := exec.Command("go", append(append([]string{}, args[:len(args)-1]...), "-o", out, args[len(args)-1])...)
	cmd.Dir = root
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm", "CGO_ENABLED=0")
	if said, err := cmd.CombinedOutput(); err != nil {
		tb.Fatalf("%v\n%s", err, said)
	}
	return out
}

// starter is Go's own script that starts a module.
func starter(tb testing.TB) string {
	tb.Helper()
	out, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		tb.Fatal(err)
	}
	return filepath.Join(string(out[:len(out)-1]), "lib", "wasm", "wasm_exec.js")
}

// required says that a suite that can't run is a failure.
func required() bool { return os.Getenv("CI") != "" }

func browser(tb testing.TB) *chromium.Browser {
	tb.Helper()
	chromium.Need(tb, required())
	return chromium.Start(tb, tb.TempDir())
}

const suitePage = `<!doctype html><meta charset="utf-8"><title>suite</title><script src="/wasm_exec.js"></script><script>
async function suite(args) {
	let said = "", part = "";
	const decoder = new TextDecoder();
	globalThis.fs.writeSync = (fd, buf) => { said += decoder.decode(buf); return buf.length };
	const go = new Go();
	go.argv = ["suite", ...args];
	let status = 0;
	go.exit = (code) => { status = code };
	const made = await WebAssembly.instantiateStreaming(fetch("/module.wasm"), go.importObject);
	await go.run(made.instance);
	return {status, said};
}
</script>`

// The suite of a package's own tests, in a real browser.
func inBrowser(t *testing.T, folder string, args ...string) {
	b := browser(t)
	mux := http.NewServeMux()
	module, script := built(t, "test", "-c", folder), starter(t)
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, suitePage) })
	mux.HandleFunc("/module.wasm", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/wasm")
		http.ServeFile(w, r, module)
	})
	mux.HandleFunc("/wasm_exec.js", func(w http.ResponseWriter, r *http.Request) { http.ServeFile(w, r, script) })
	s := httptest.NewServer(mux)
	t.Cleanup(s.Close)
	var out struct {
		Status int    `json:"status"`
		Said   string `json:"said"`
	}
	list := ""
	for _, a := range args {
		list += fmt.Sprintf("%q,", a)
	}
	b.Open(s.URL).Do("return suite(["+list+"])", &out)
	if out.Status != 0 {
		t.Errorf("%s on %s in a browser:\n%s", folder, runtime.Version(), out.Said)
	}
	t.Log(out.Said)
}

func TestStoreInABrowser(t *testing.T) {
	inBrowser(t, "./ledger/store/indexeddb", "-test.v")
}
