package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/ledger/near"
)

// Main is the program. Its fields are its whole outside but the files.
type Main struct {
	Args        []string // without the program's name
	Stdin       io.Reader
	Stdout      io.Writer
	Stderr      io.Writer
	Getenv      func(string) string
	Now         func() time.Time
	Entropy     io.Reader // a cryptographic source
	Terminal    bool      // Stdout is one
	ErrTerminal bool      // Stderr is one
	Asks        bool      // a person sits at Stdin and Stderr and can answer
	Width       int       // of the terminal in characters; 0: unknown
	MaxBytes    int64     // the size at which the ledger's file counts as full; 0: the disk's limit
	Machine     string    // what the system tells machines apart by; "": nothing
	Version     string
	Build       string // of the program, down to its source; "": folds neither use nor leave checkpoints
	Recorder    fs.FS  // the built recorder that serve offers to phones; nil: the embedded one

	data   string
	format string
	json   bool
	exact  bool
	person string

	checkpointAfter int                // the number of events after which folds leave checkpoints; 0: as package resume says
	folded          func(resumed bool) // told of every fold that could begin at a checkpoint; may be nil
}

// The formats of reports.
const (
	formatTable = "table"
	formatJSON  = "json"
	formatCSV   = "csv"
)

// Run runs the program once and returns its exit status.
func (m *Main) Run(ctx context.Context) int {
	root := m.root()
	root.SetArgs(m.Args)
	root.SetIn(m.Stdin)
	root.SetOut(m.Stdout)
	root.SetErr(m.Stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return statusDone
	}
	return m.fail(err)
}

// maxListed is how many things of one sort are said before it is "and 12 more".
const maxListed = 40

// fail says what went wrong and returns the exit status.
func (m *Main) fail(err error) int {
	f := explain(err)
	fmt.Fprintln(m.Stderr, "countback: "+f.Error())
	var rows *badRows
	errors.As(err, &rows)
	if m.wantsJSON() {
		m.failJSON(f, rows)
	} else if rows != nil && len(rows.problems) > 1 {
		for i, p := range rows.problems[1:] { // the first is said already
			if i == maxListed {
				fmt.Fprintf(m.Stderr, "  and %s more; with --json all are listed\n", grouped(fmt.Sprint(len(rows.problems)-1-i)))
				break
			}
			fmt.Fprintln(m.Stderr, "  "+oneLine(p.String()))
		}
	}
	return f.status
}

// wantsJSON looks at the arguments too: a wrong flag ends the reading of flags before its time.
func (m *Main) wantsJSON() bool {
	if m.json || m.format == formatJSON {
		return true
	}
	for i, a := range m.Args {
		if a == "--json" || a == "--format=json" || a == "--format" && i+1 < len(m.Args) && m.Args[i+1] == formatJSON {
			return true
		}
	}
	return false
}

// failed is an error as JSON.
type failed struct {
	What     string      `json:"what"`
	Where    string      `json:"where,omitempty"`
	Hint     string      `json:"hint,omitempty"`
	Problems []failedRow `json:"problems,omitempty"` // of a file that was imported
}

type failedRow struct {
	Row    int    `json:"row,omitempty"`
	Column string `json:"column,omitempty"`
	Value  string `json:"value,omitempty"`
	Why    string `json:"why"`
}

func (m *Main) failJSON(f *fault, rows *badRows) {
	var out struct {
		Error failed `json:"error"`
	}
	if rows != nil {
		for _, p := range rows.problems {
			out.Error.Problems = append(out.Error.Problems, failedRow(p))
		}
	}
	out.Error.What, out.Error.Where, out.Error.Hint = oneLine(f.what), oneLine(f.where), oneLine(f.hint)
	enc := json.NewEncoder(m.Stderr)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(out) // there is nowhere left to say that this failed
}

const rootLong = `countback keeps the materials ledger of a small shop that makes and sells printed paper goods:
what is on hand, what it cost, which order used it, and what went missing.

Start with "countback init", or look at the demo shop with "countback demo".`

func (m *Main) root() *cobra.Command {
	root := &cobra.Command{
		Use:               "countback",
		Short:             "The materials ledger of a small paper-goods shop",
		Long:              rootLong,
		Example:           "  countback demo\n  countback init --shop \"Fennimoor Paper\" --currency CAD --zone America/Halifax",
		SilenceErrors:     true,
		SilenceUsage:      true,
		PersistentPreRunE: func(*cobra.Command, []string) error { return m.checkFlags() },
		Args:              cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return unknownCommand(cmd, args[0])
		},
	}
	flags := root.PersistentFlags()
	flags.StringVar(&m.data, "data", "", "`folder` of the ledger (default $COUNTBACK_DATA, else your system's place for data)")
	flags.StringVar(&m.format, "format", formatTable, "how to print: table, json or csv")
	flags.BoolVar(&m.json, "json", false, "short for --format json")
	flags.StringVar(&m.person, "person", "", "`name` of who records")
	flags.BoolVar(&m.exact, "exact", false, "money with 8 decimal places")
	root.SetFlagErrorFunc(m.flagError)
	_ = root.RegisterFlagCompletionFunc("format", choices(formatTable, formatJSON, formatCSV))
	root.AddGroup(&cobra.Group{ID: groupSetup, Title: "Set the shop up:"}, &cobra.Group{ID: groupDay, Title: "Record the day:"},
		&cobra.Group{ID: groupCare, Title: "Correct:"}, &cobra.Group{ID: groupReports, Title: "Ask:"}, &cobra.Group{ID: groupKeep, Title: "Keep the ledger safe:"})
	for group, list := range m.commands() {
		for _, cmd := range list {
			cmd.GroupID = group
			finish(cmd)
			root.AddCommand(cmd)
		}
	}
	root.InitDefaultHelpCmd()
	for _, c := range root.Commands() {
		if c.Name() == "help" {
			c.Run, c.RunE = nil, func(_ *cobra.Command, args []string) error {
				about, rest, err := root.Find(args)
				if err != nil {
					return err
				}
				if len(rest) > 0 {
					return unknownCommand(about, rest[0])
				}
				return about.Help()
			}
		}
	}
	return root
}

// flagError says what is wrong with a flag. A number below zero looks like one.
func (m *Main) flagError(cmd *cobra.Command, err error) error {
	f := &fault{what: plainFlag(err), where: placeOf(cmd), hint: "see " + cmd.CommandPath() + " --help", status: statusUse, err: err}
	for _, a := range m.Args {
		if len(a) > 1 && a[0] == '-' && strings.IndexByte(".0123456789", a[1]) >= 0 && strings.Contains(err.Error(), a) {
			f.what = a + " is below 0, and a quantity never is"
			f.hint = "to take something back, reverse the event that recorded it"
			if cmd.Name() == "credit" {
				f.hint = "a supplier's later bill is --bill"
			}
		}
	}
	return f
}

// plainFlag takes the library's quotation of the whole flag out of an error about its value.
func plainFlag(err error) string {
	text := err.Error()
	rest, ok := strings.CutPrefix(text, "invalid argument ")
	if !ok {
		return text
	}
	value, rest, ok := strings.Cut(rest, " for \"")
	if !ok {
		return text
	}
	flag, why, ok := strings.Cut(rest, "\" flag: ")
	if !ok {
		return text
	}
	if i := strings.LastIndex(flag, "--"); i >= 0 {
		flag = flag[i:]
	}
	switch {
	case strings.HasPrefix(why, "strconv.ParseBool"):
		why = value + " is neither true nor false"
	case strings.HasPrefix(why, "strconv.") && strings.HasSuffix(why, strconv.ErrRange.Error()):
		why = value + " is too large a number"
	case strings.HasPrefix(why, "strconv."):
		why = value + " isn't a whole number; give one such as 14"
	}
	return flag + ": " + why
}

// placeOf names a command without the program.
func placeOf(cmd *cobra.Command) string {
	_, name, _ := strings.Cut(cmd.CommandPath(), " ")
	return name
}

// The groups of commands in the help.
const (
	groupSetup   = "setup"
	groupDay     = "day"
	groupCare    = "care"
	groupReports = "reports"
	groupKeep    = "keep"
)

func (m *Main) commands() map[string][]*cobra.Command {
	return map[string][]*cobra.Command{
		groupSetup: {m.initCmd(), m.demoCmd(), m.itemCmd(), m.retireCmd(), m.packspecCmd(), m.makespecCmd(), m.cutCmd(), m.importCmd(), m.labelsCmd(), m.recordCmd()},
		groupDay: {m.purchaseCmd(), m.restockCmd(), m.creditCmd(), m.reprintCmd(), m.packCmd(), m.returnCmd(),
			m.damageCmd(), m.countCmd()},
		groupCare:    {m.reverseCmd(), m.decideCmd(), m.reviewCmd(), m.closeCmd()},
		groupReports: {m.stockCmd(), m.historyCmd(), m.costCmd(), m.shrinkageCmd(), m.useCmd(), m.reorderCmd(), m.auditCmd(), m.planCmd(), m.makeCmd()},
		groupKeep:    {m.serveCmd(), m.syncCmd(), m.statusCmd(), m.pairCmd(), m.devicesCmd(), m.revokeCmd(), m.handoverCmd(), m.backupCmd(), m.restoreCmd(), m.exportCmd(), m.verifyCmd(), m.versionCmd()},
	}
}

// finish gives every command the errors of this program instead of the library's.
func finish(cmd *cobra.Command) {
	check := cmd.Args
	if check == nil {
		check = cobra.NoArgs
	}
	cmd.Args = func(cmd *cobra.Command, args []string) error {
		if cmd.HasSubCommands() && !cmd.Runnable() {
			return nil
		}
		if err := check(cmd, args); err != nil {
			return &fault{what: plainArgs(cmd, len(args)), where: placeOf(cmd), hint: "write it like: " + firstExample(cmd), status: statusUse, err: err}
		}
		return nil
	}
	for _, sub := range cmd.Commands() {
		finish(sub)
	}
	if cmd.HasSubCommands() && cmd.RunE == nil {
		cmd.Args = cobra.ArbitraryArgs
		cmd.RunE = func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return unknownCommand(cmd, args[0])
		}
	}
}

func plainArgs(cmd *cobra.Command, n int) string {
	_, form, _ := strings.Cut(cmd.Use, " ")
	if form == "" || strings.HasPrefix(form, "--") {
		return "it takes nothing but flags"
	}
	if n == 0 {
		return "something is missing: " + form
	}
	return fmt.Sprintf("%d given, and what it takes is: %s", n, form)
}

func firstExample(cmd *cobra.Command) string {
	first, _, _ := strings.Cut(strings.TrimSpace(cmd.Example), "\n")
	return first
}

func unknownCommand(cmd *cobra.Command, name string) error {
	var names []string
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	hint := "see " + cmd.CommandPath() + " --help"
	if alike := near.Names(name, names); len(alike) > 0 {
		hint = "did you mean " + strings.Join(alike, " or ") + "? Else " + hint
	}
	return wrong(placeOf(cmd), hint, "%q is not a command", name)
}

// checkFlags looks at the flags that every command has.
func (m *Main) checkFlags() error {
	if m.json {
		m.format = formatJSON
	}
	switch m.format {
	case formatTable, formatJSON, formatCSV:
		return nil
	}
	return wrong("--format", "choose table, json or csv", "%q is not a format", m.format)
}

// folder is where the ledger is.
func (m *Main) folder() (string, error) {
	if m.data != "" {
		return filepath.Clean(m.data), nil
	}
	if d := m.Getenv("COUNTBACK_DATA"); d != "" {
		return filepath.Clean(d), nil
	}
	home := m.Getenv("HOME")
	base := ""
	switch runtime.GOOS {
	case "windows":
		base = m.Getenv("LOCALAPPDATA")
	case "darwin":
		if home != "" {
			base = filepath.Join(home, "Library", "Application Support")
		}
	default:
		if base = m.Getenv("XDG_DATA_HOME"); base == "" && home != "" {
			base = filepath.Join(home, ".local", "share")
		}
	}
	if base == "" {
		return "", wrong("", "name the folder of the ledger with --data", "your system doesn't say where your data belongs")
	}
	return filepath.Join(base, "countback"), nil
}

// versionText is the program's version.
func (m *Main) versionText() string {
	if m.Version != "" {
		return m.Version
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(unknown)"
}
