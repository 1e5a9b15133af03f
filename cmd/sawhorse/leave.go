package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"sawhorse/bench/format"
	"sawhorse/bench/plan"
	"sawhorse/bench/report"
	"sawhorse/bench/report/page"
	"sawhorse/bench/run"
)

// Files that a run leaves beside its plan and its capture.
const (
	verdictsName = "verdicts.jsonl"
	traceName    = "trace.jsonl"
)

// Words of --keep.
const (
	keepAuto   = "auto"
	keepAll    = "all"
	keepFailed = "failed"
	keepUpTo   = 100
)

func (r *runner) setKeep() error {
	switch r.o.keep {
	case keepAuto:
		r.keep = len(r.jobs) <= keepUpTo
	case keepAll:
		r.keep = true
	case keepFailed:
	default:
		return fmt.Errorf("--keep %q: want all, failed or auto", r.o.keep)
	}
	return nil
}

func (r *runner) readBaseline() error {
	switch {
	case r.o.baseline == "" && r.o.updateBaseline:
		return errors.New("--update-baseline: want --baseline FILE to say which")
	case r.o.baseline == "":
		return nil
	}
	data, err := os.ReadFile(r.o.baseline)
	if errors.Is(err, fs.ErrNotExist) && r.o.updateBaseline {
		r.baseline = new(report.Baseline)
		return nil
	}
	if err != nil {
		return fmt.Errorf("--baseline: %w (--update-baseline writes a new one)", err)
	}
	if r.baseline, err = report.ReadBaseline(bytes.NewReader(data)); err != nil {
		return fmt.Errorf("%s%s: %w", r.o.baseline, format.Place(data, err), err)
	}
	return nil
}

// leave writes what a run leaves in its folder, and its page; or takes the run's
// files away if nobody wants them.
func (r *runner) leave(run *report.Run, folder, capture string, passed bool) error {
	if passed && !r.keep {
		return remove(folder, filesOf(capture)...)
	}
	if err := writeFile(filepath.Join(folder, traceName), run.Trace.Write); err != nil {
		return err
	}
	err := writeFile(filepath.Join(folder, verdictsName), func(w io.Writer) error { return report.Lines(w, []report.Run{*run}) })
	if err != nil || r.o.report == "" {
		return err
	}
	name := filepath.Base(folder)
	beside := name + captureEnding(capture)
	if err := placeFile(filepath.Join(r.o.report, beside), run.Capture); err != nil {
		return fmt.Errorf("--report: %w", err)
	}
	err = writeFile(filepath.Join(r.o.report, name+".html"), func(w io.Writer) error {
		return page.Write(w, run, page.Options{Capture: beside})
	})
	if err != nil {
		return fmt.Errorf("--report: %w", err)
	}
	return nil
}

// filesOf are the files of a run.
func filesOf(capture string) []string {
	return []string{run.PlanName, capture, verdictsName, traceName}
}

// remove takes files away, and their folder if nothing else is in it.
func remove(folder string, names ...string) error {
	for _, name := range names {
		if err := os.Remove(filepath.Join(folder, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	_ = os.Remove(folder) // a folder with other things in it stays
	return nil
}

// captureEnding is the extension of a capture, .gz and all.
func captureEnding(name string) string {
	ext := filepath.Ext(name)
	if ext == ".gz" {
		ext = filepath.Ext(name[:len(name)-len(ext)]) + ext
	}
	return ext
}

// writeFile writes a file that appears whole or not at all.
func writeFile(path string, fill func(io.Writer) error) error {
	var b bytes.Buffer
	if err := fill(&b); err != nil {
		return err
	}
	return plan.WriteWhole(path, b.Bytes())
}

// placeFile has a second name for a capture beside the pages, on one file system
// without a copy: a capture can be long, and one that is made anew is another file.
func placeFile(to, from string) error {
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		return err
	}
	tmp := fmt.Sprintf("%s.%d.link", to, os.Getpid())
	if os.Link(from, tmp) != nil {
		return copyFile(to, from)
	}
	err := os.Rename(tmp, to)
	_ = os.Remove(tmp) // it stays if both were one file already
	return err
}

// copyFile copies without holding the whole in memory.
func copyFile(to, from string) (err error) {
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		return err
	}
	src, err := os.Open(from)
	if err != nil {
		return err
	}
	defer src.Close()
	tmp, err := os.CreateTemp(filepath.Dir(to), "."+filepath.Base(to)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(tmp.Name())
		}
	}()
	_, err = io.Copy(tmp, src)
	err = errors.Join(err, tmp.Chmod(0o644), tmp.Close())
	if err != nil {
		return err
	}
	return os.Rename(tmp.Name(), to)
}

// write closes a batch: the summary, and the files for machines.
func (r *runner) write(cmd *cobra.Command, runs []report.Run) error {
	out := cmd.OutOrStdout()
	if r.o.failFast && len(runs) < len(r.jobs) && report.Status(runs) != report.Passed {
		fmt.Fprintf(out, "ended at the first run that did not pass: %d of %d were done\n", len(runs), len(r.jobs))
	}
	if len(r.jobs) > 1 {
		if err := report.Summary(out, runs); err != nil {
			return err
		}
	}
	if err := r.settleBaseline(out, runs); err != nil {
		return err
	}
	for _, f := range []struct {
		flag, path string
		fill       func(io.Writer) error
	}{
		{"--junit", r.o.junit, func(w io.Writer) error { return report.JUnit(w, runs) }},
		{"--metrics", r.o.metrics, r.set.Write},
		{"--verdicts", r.o.verdicts, func(w io.Writer) error { return report.Lines(w, runs) }},
	} {
		if f.path == "" {
			continue
		}
		if err := writeFile(f.path, f.fill); err != nil {
			return fmt.Errorf("%s: %w", f.flag, err)
		}
	}
	if r.o.report != "" {
		return writeFile(filepath.Join(r.o.report, "index.html"), func(w io.Writer) error { return page.Index(w, r.pages(runs)) })
	}
	return nil
}

// pages pairs the runs with the names of their pages.
func (r *runner) pages(runs []report.Run) []page.Entry {
	var list []page.Entry
	for i := range runs {
		e := page.Entry{Run: &runs[i]}
		if name := filepath.Base(r.jobs[i].folder); r.keep || runs[i].Status() != report.Passed || runs[i].Flaky() {
			for k := range len(runs[i].Earlier) + 1 {
				file := name + ".html"
				if k > 0 {
					file = fmt.Sprintf("%s.try%d.html", name, k+1)
				}
				e.Files = append(e.Files, file)
			}
		}
		list = append(list, e)
	}
	return list
}

// settleBaseline tells what of the baseline is mended, and writes it anew if asked.
func (r *runner) settleBaseline(out io.Writer, runs []report.Run) error {
	if r.baseline == nil {
		return nil
	}
	for _, f := range r.baseline.Fixed(runs) {
		fmt.Fprintf(out, "fixed: %s %s passes now; the baseline has it as failing\n", f.Run, f.Expectation)
	}
	if !r.o.updateBaseline {
		return nil
	}
	r.baseline.Update(runs)
	data, err := r.baseline.Bytes()
	if err != nil {
		return err
	}
	if err := plan.WriteWhole(r.o.baseline, data); err != nil {
		return fmt.Errorf("--baseline: %w", err)
	}
	plural := "s"
	if len(r.baseline.Failures) == 1 {
		plural = ""
	}
	fmt.Fprintf(out, "%s has %d known failure%s now\n", r.o.baseline, len(r.baseline.Failures), plural)
	return nil
}
