package main

import (
	"fmt"
	"os"
	"runtime/debug"

	"countback/projections/fold"
	"countback/projections/resume"
)

// resume folds from the latest checkpoint that holds, or, where the whole is asked for, from the first event. The state is for what asks about items; of orders
// and notices it has only the latest.
func (d *desk) resume(run fold.Run, whole bool) (*resume.Result, error) {
	r, err := resume.Job{
		Store: d.store, Build: d.m.Build, Now: d.m.Now().UnixMilli(), Whole: whole, After: d.m.checkpointAfter, Run: run,
	}.Fold(d.ctx)
	if err != nil {
		return nil, err
	}
	d.leave = append(d.leave, r)
	if d.m.folded != nil {
		d.m.folded(r.Resumed)
	}
	return r, nil
}

// leaveCheckpoints saves what the command's folds took, after all is printed. A checkpoint that can't be saved, as on a full disk or in a folder that can
// only be read, is one that isn't there: whoever asked has the answer, and the next fold says the same without it.
func (d *desk) leaveCheckpoints() {
	for _, r := range d.leave {
		_ = r.Leave(d.ctx)
	}
}

// build names this very program: the revision that it was built from, or the checksum of its module. A program that was built from changed files has
// neither; then the size and age of its file have to do, and "" means that nothing tells it from another.
func build() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	set := map[string]string{}
	for _, s := range info.Settings {
		set[s.Key] = s.Value
	}
	switch {
	case set["vcs.revision"] != "" && set["vcs.modified"] == "false":
		return info.GoVersion + " " + set["vcs.revision"]
	case info.Main.Sum != "":
		return info.GoVersion + " " + info.Main.Sum
	}
	path, err := os.Executable()
	if err != nil {
		return ""
	}
	file, err := os.Stat(path)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("%s file %d %d", info.GoVersion, file.Size(), file.ModTime().UnixNano())
}
