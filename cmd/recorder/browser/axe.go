package browser

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha512"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/chromedp/chromedp"
)

// The rules of accessibility (axe-core, MPL 2.0) are fetched by tests alone, through npm, and are no part of the program. The sum is that of its registry entry.
const (
	rulesVersion = "4.14.1"
	rulesSum     = "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="
	rulesFile    = "package/axe.min.js"
	rulesLimit   = 8 << 20 // bytes
)

// ErrNoRules is wrapped where the rules can't be had: there is no npm, or no network.
var ErrNoRules = errors.New("the rules of accessibility can't be fetched")

// Rules returns the rules as a script. They are fetched once and then kept in the folder for temporary files.
func Rules(ctx context.Context) (string, error) {
	name := "axe-core-" + rulesVersion + ".tgz"
	kept := filepath.Join(os.TempDir(), "countback-tests", name)
	if script, err := readRules(kept); err == nil {
		return script, nil
	}
	if err := os.MkdirAll(filepath.Dir(kept), 0o755); err != nil {
		return "", err
	}
	dir, err := os.MkdirTemp(filepath.Dir(kept), "fetch-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(dir)
	cmd := exec.CommandContext(ctx, "npm", "pack", "axe-core@"+rulesVersion, "--pack-destination", dir, "--silent")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: npm pack: %v %s", ErrNoRules, err, bytes.TrimSpace(out))
	}
	script, err := readRules(filepath.Join(dir, name))
	if err != nil {
		return "", err
	}
	return script, os.Rename(filepath.Join(dir, name), kept)
}

func readRules(path string) (string, error) {
	raw, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	if sum := sha512.Sum512(raw); base64.StdEncoding.EncodeToString(sum[:]) != rulesSum {
		return "", fmt.Errorf("%s isn't the file that its registry lists", path)
	}
	z, err := gzip.NewReader(bytes.NewReader(raw))
	if err != nil {
		return "", err
	}
	for t := tar.NewReader(z); ; {
		h, err := t.Next()
		if err != nil {
			return "", fmt.Errorf("%s: %w", rulesFile, err)
		}
		if h.Name == rulesFile {
			script, err := io.ReadAll(io.LimitReader(t, rulesLimit))
			return string(script), err
		}
	}
}

// Broken is a rule that a page breaks.
type Broken struct {
	ID    string `json:"id"`
	Help  string `json:"help"`
	Nodes []struct {
		HTML string `json:"html"`
		Why  string `json:"failureSummary"`
	} `json:"nodes"`
}

func (b Broken) String() string {
	var out strings.Builder
	fmt.Fprintf(&out, "%s: %s", b.ID, b.Help)
	for _, n := range b.Nodes {
		fmt.Fprintf(&out, "\n  %.300s\n    %s", n.HTML, strings.ReplaceAll(n.Why, "\n", "\n    "))
	}
	return out.String()
}

// Breaks returns the rules of WCAG 2.2, levels A and AA, and the good practice that the page breaks as it stands.
func (p *Phone) Breaks(rules string) ([]Broken, error) {
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](rules+"\n;true")); err != nil {
		return nil, err
	}
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](`axe.run(document, {resultTypes: ["violations"]}).then(r => JSON.stringify(r.violations))`, chromedp.EvalAwaitPromise))
	if err != nil {
		return nil, err
	}
	var list []Broken
	err = json.Unmarshal([]byte(text), &list)
	return list, err
}
