package main

import (
	"context"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

func walk(cmd *cobra.Command, do func(*cobra.Command)) {
	do(cmd)
	for _, c := range cmd.Commands() {
		walk(c, do)
	}
}

// Every command says what it does and shows an example whose command and flags exist.
func TestHelpShowsExamplesThatExist(t *testing.T) {
	m, _, _ := newBench(t).main("")
	walk(m.root(), func(cmd *cobra.Command) {
		switch cmd.Name() {
		case "help", "completion":
			return
		}
		if cmd.Short == "" || cmd.Example == "" {
			t.Errorf("%s: no words or no example", cmd.CommandPath())
		}
		if strings.ContainsAny(cmd.Short+cmd.Long, "!") {
			t.Errorf("%s: an exclamation mark", cmd.CommandPath())
		}
		for line := range strings.Lines(cmd.Example) {
			line, _, _ = strings.Cut(strings.TrimSpace(line), " > ")
			rest, ok := strings.CutPrefix(line, "countback ")
			if !ok {
				t.Errorf("%s: the example %q isn't a command line", cmd.CommandPath(), line)
				continue
			}
			args, _ := splitCommand(rest)
			fresh, _, _ := newBench(t).main("")
			found, left, err := fresh.root().Find(args)
			if err != nil {
				t.Errorf("%s: %q: %v", cmd.CommandPath(), line, err)
				continue
			}
			if err := found.ParseFlags(left); err != nil {
				t.Errorf("%s: %q: %v", cmd.CommandPath(), line, err)
				continue
			}
			if err := found.Args(found, found.Flags().Args()); err != nil {
				t.Errorf("%s: %q: %v", cmd.CommandPath(), line, err)
			}
			if cmd.HasParent() && !strings.HasPrefix(found.CommandPath(), cmd.CommandPath()) {
				t.Errorf("%s: %q is an example of %s", cmd.CommandPath(), line, found.CommandPath())
			}
		}
	})
}

// The commands that the contract names are here.
func TestContractCommands(t *testing.T) {
	m, _, _ := newBench(t).main("")
	have := map[string]bool{}
	walk(m.root(), func(cmd *cobra.Command) { have[strings.TrimPrefix(cmd.CommandPath(), "countback ")] = true })
	for name := range strings.FieldsSeq("init demo record item packspec makespec restock credit pack return purchase reprint damage count reverse decide stock history cost shrinkage use reorder plan review verify backup restore export close version retire pair devices revoke handover") {
		if !have[name] {
			t.Errorf("%s is missing", name)
		}
	}
	for _, name := range []string{"import orders", "import catalog", "import counts", "import handover", "count sheet", "export events", "export stock", "export orders", "export closes"} {
		if !have[name] {
			t.Errorf("%s is missing", name)
		}
	}
	for name := range strings.FieldsSeq("data format json person exact") {
		if m.root().PersistentFlags().Lookup(name) == nil {
			t.Errorf("--%s is missing", name)
		}
	}
}

func TestHelpOfEveryCommand(t *testing.T) {
	b := newBench(t)
	m, _, _ := b.main("")
	walk(m.root(), func(cmd *cobra.Command) {
		args := append(strings.Fields(strings.TrimPrefix(cmd.CommandPath(), "countback")), "--help")
		if out := b.must(args...); !strings.Contains(out, "Usage:") {
			t.Errorf("%v: %s", args, out)
		}
	})
}

func TestCompletion(t *testing.T) {
	b := newBench(t).shop()
	b.must("restock", "board", "2", "box", "--cost", "64", "--at", "2026-01-05")
	pack := b.id(b.must("pack", "2041", "fern-card=1", "--to", "home", "--at", "2026-01-07"))
	b.must("retire", "fern-card")
	for _, c := range []struct {
		args []string
		want string
		not  string
	}{
		{[]string{"restock", ""}, "board\tBoard stiffener\n", "fern-card"},
		{[]string{"restock", "c"}, "cord\tCotton cord\n", "board"},
		{[]string{"restock", "board", "2", ""}, "box\n", "wrap"},
		{[]string{"count", "cord", "2", ""}, "spool\nwrap\n", ""},
		{[]string{"damage", "board", "1", "--reason", "own"}, "own_use\n", ""},
		{[]string{"return", ""}, "2041\n", ""},
		{[]string{"pack", "2042", "b"}, "board=\n", ""},
		{[]string{"decide", ""}, pack + "\tpack", ""},
		{[]string{"decide", pack, ""}, "keep\ndrop\n", ""},
		{[]string{"stock", "--format", ""}, "table\njson\ncsv\n", ""},
		{[]string{"init", "--currency", "CA"}, "CAD\n", ""},
	} {
		out := b.must(append([]string{"__complete"}, c.args...)...)
		if !strings.Contains(out, c.want) || c.not != "" && strings.Contains(out, c.not) {
			t.Errorf("%q completes to %q, want %q and not %q", c.args, out, c.want, c.not)
		}
	}
	b.data = b.dir + "/nowhere"
	if out := b.must("__complete", "restock", ""); strings.Contains(out, "board") {
		t.Error("completion without a ledger", out)
	}
	for _, shell := range []string{"bash", "zsh", "fish", "powershell"} {
		if out := b.must("completion", shell); !strings.Contains(out, "countback") {
			t.Errorf("completion %s: %.80s", shell, out)
		}
	}
}

func TestWhereTheLedgerIs(t *testing.T) {
	for _, c := range []struct {
		name string
		args []string
		env  map[string]string
		want string
	}{
		{"flag before all", []string{"--data", "/a/x"}, map[string]string{"COUNTBACK_DATA": "/b"}, "/a/x"},
		{"then the variable", nil, map[string]string{"COUNTBACK_DATA": "/b", "XDG_DATA_HOME": "/c"}, "/b"},
		{"then the system's place", nil, map[string]string{"XDG_DATA_HOME": "/c", "HOME": "/h"}, "/c/countback"},
		{"then the usual one under home", nil, map[string]string{"HOME": "/h"}, "/h/.local/share/countback"},
		{"nowhere", nil, nil, "name the folder of the ledger with --data"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, _, errs := newBench(t).main("", append(c.args, "stock")...)
			m.Getenv = func(name string) string { return c.env[name] }
			if m.Run(context.Background()) != statusUse || !strings.Contains(errs.String(), c.want) {
				t.Error(errs)
			}
		})
	}
}
