package report

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"sawhorse/bench/judge"
)

// TableOptions say how a table looks.
type TableOptions struct {
	// Bold marks what did not pass with the terminal's bold face, and the verdicts
	// with colours.
	Bold bool
	// Quiet leaves the lines of what passed out.
	Quiet bool
}

// words are the outcomes as the table has them.
var words = map[judge.Outcome]string{
	judge.Pass: "passed", judge.Fail: "FAILED", judge.Undecided: "UNDECIDED",
	judge.NotApplicable: "not applicable", judge.Ours: "NOT RUN", judge.Advice: "advice",
}

// colours are the terminal's (ECMA-48 SGR): blue, orange and magenta, which people
// who see no red or no green tell apart as well (common practice).
var colours = map[judge.Outcome]string{
	judge.Pass: "34", judge.Fail: "1;38;5;208", judge.Undecided: "1;35", judge.NotApplicable: "2", judge.Ours: "1;35", judge.Advice: "36",
}

// Table writes one run for people: a line an expectation with verdict, margin
// and statement, and for each that did not pass the reason, the evidence, and in
// the end the one command that repeats the run.
func Table(w io.Writer, r *Run, opt TableOptions) error {
	b := bufio.NewWriter(w)
	t := tableWriter{Writer: b, opt: opt}
	t.head(r)
	t.rows(r)
	t.foot(r)
	return b.Flush()
}

type tableWriter struct {
	*bufio.Writer
	opt  TableOptions
	wide int // of the column of outcomes
}

func (t *tableWriter) bold(s string) string {
	if t.opt.Bold {
		return "\x1b[1m" + s + "\x1b[0m"
	}
	return s
}

// wordOf is the verdict as the table has it: a tool that gave out is told from one that
// did something wrong.
func wordOf(v *judge.Verdict) string {
	if gaveOut(v) {
		return strings.ToUpper(v.Cause.String())
	}
	return words[v.Outcome]
}

func (t *tableWriter) word(v *judge.Verdict) string {
	word := pad(wordOf(v), t.wide)
	if t.opt.Bold {
		return "\x1b[" + colours[v.Outcome] + "m" + word + "\x1b[0m"
	}
	return word
}

func (t *tableWriter) head(r *Run) {
	fmt.Fprintf(t, "%s: %s\n", t.bold(clean(r.ID())), clean(r.Title))
}

func (t *tableWriter) rows(r *Run) {
	var id, margin int
	shown := func(v *judge.Verdict) bool { return !Kept(v) && (!t.opt.Quiet || !v.Outcome.Met()) }
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		if !shown(v) {
			continue
		}
		t.wide = max(t.wide, len(wordOf(v)))
		id = max(id, utf8.RuneCountInString(clean(v.ID)))
		margin = max(margin, utf8.RuneCountInString(v.Margin.String()))
	}
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		if !shown(v) {
			continue
		}
		fmt.Fprintf(t, "%s%s  %s  %s  %s\n", indentTo, t.word(v), pad(clean(v.ID), id), padLeft(v.Margin.String(), margin), clean(v.Says))
		if v.Outcome != judge.Pass || v.Nothing {
			if slices.Contains(r.Known, v.ID) {
				fmt.Fprintln(t, indentTo+indentTo+"known: the baseline has it")
			}
			t.why(v)
		}
	}
	if c := r.tally(); c.kept > 0 && !t.opt.Quiet {
		t.wide = max(t.wide, len(words[judge.Pass]))
		fmt.Fprintf(t, "%s%s  %s\n", indentTo, t.word(&judge.Verdict{Outcome: judge.Pass}), keptLine(c.kept))
	}
	if c := r.tally(); c.said > 0 && !t.opt.Quiet {
		t.wide = max(t.wide, len(words[judge.Pass]))
		fmt.Fprintf(t, "%s%s  %s\n", indentTo, t.word(&judge.Verdict{Outcome: judge.Pass}), saidLine(c.said))
	}
}

// keptLine sums up what was judged without being asked for.
func keptLine(n int) string {
	if n == 1 {
		return "1 rule for every tool, kept"
	}
	return fmt.Sprintf("%d rules for every tool, all kept", n)
}

// saidLine sums up what the tool said and was right in.
func saidLine(n int) string {
	if n == 1 {
		return "1 field of what the tool said, all true"
	}
	return fmt.Sprintf("%d fields of what the tool said, all true", n)
}

func (t *tableWriter) why(v *judge.Verdict) {
	const indent = indentTo + indentTo
	fmt.Fprintln(t, fold(clean(v.Reason), indent))
	if v.Nothing {
		return
	}
	for _, e := range v.Evidence {
		fmt.Fprintln(t, fold(clean(e.String()), indent+"- "))
	}
	if v.Source != "" {
		fmt.Fprintln(t, fold(clean(v.Why+" Source: "+v.Source+"."), indent))
	}
}

func (t *tableWriter) foot(r *Run) {
	c := r.tally()
	parts := []string{fmt.Sprintf("%d passed", c.pass)}
	for _, p := range []struct {
		n    int
		word string
	}{{c.fail, "failed"}, {c.gaveOut, "of them as the tool hung or crashed"}, {c.known, "of them known"}, {c.undecided, "undecided"}, {c.ours, "not run"}, {c.none, "not applicable"}, {c.advice, "advice"}, {c.kept, "rules kept"}, {c.said, "fields true"}} {
		if p.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", p.n, p.word))
		}
	}
	seed := fmt.Sprintf("seed %d, ", r.Seed)
	if r.Time == Recorded {
		seed = ""
	}
	fmt.Fprintf(t, "%s%s; %s%v, %d frames", indentTo, strings.Join(parts, ", "), seed, r.Length.Round(time.Millisecond), r.Frames)
	if r.Capture != "" {
		fmt.Fprintf(t, " in %s", clean(r.Capture))
	}
	fmt.Fprintln(t)
	if r.Err != nil {
		fmt.Fprintln(t, fold("could not be run to its end: "+clean(r.Err.Error()), indentTo))
	}
	for i := range r.Earlier {
		e := &r.Earlier[i]
		fmt.Fprintln(t, fold(fmt.Sprintf("attempt %d %s", i+1, clean(e.outcome())), indentTo))
	}
	if r.Flaky() {
		fmt.Fprintf(t, "%s%s: it passed only when it was done again\n", indentTo, t.bold("FLAKY"))
	}
	if r.Status() != Passed && r.Again != "" {
		fmt.Fprintf(t, "%srepeat it: %s\n", indentTo, clean(r.Again))
	}
	if r.Status() != Passed || r.Person {
		for _, c := range r.Cautions {
			fmt.Fprintln(t, fold("caution, on a real car: "+clean(c), indentTo))
		}
	}
	fmt.Fprintln(t)
}

// outcome says in a few words what became of an attempt.
func (r *Run) outcome() string {
	var ids []string
	for i := range r.Verdicts {
		if v := &r.Verdicts[i]; v.Outcome == judge.Fail || v.Outcome == judge.Undecided || v.Outcome == judge.Ours {
			ids = append(ids, v.ID+" "+strings.ToLower(wordOf(v)))
		}
	}
	if r.Err != nil {
		ids = append(ids, "broke off: "+r.Err.Error())
	}
	if len(ids) == 0 {
		return "passed"
	}
	return "did not pass: " + strings.Join(ids, ", ")
}

// Summary writes the line that closes several runs.
func Summary(w io.Writer, runs []Run) error {
	var c tally
	failed, flaky := 0, 0
	for i := range runs {
		t := runs[i].tally()
		c.pass += t.pass
		c.fail += t.fail
		c.known += t.known
		c.gaveOut += t.gaveOut
		c.undecided += t.undecided
		if runs[i].Status() != Passed {
			failed++
		}
		if runs[i].Flaky() {
			flaky++
		}
	}
	s := fmt.Sprintf("%d of %d scenarios passed; expectations: %d passed, %d failed, %d undecided",
		len(runs)-failed, len(runs), c.pass, c.fail, c.undecided)
	if c.gaveOut > 0 {
		s += fmt.Sprintf("; %d of the failures as the tool hung or crashed", c.gaveOut)
	}
	if c.known > 0 {
		s += fmt.Sprintf("; %d of the failures are known", c.known)
	}
	if flaky > 0 {
		s += fmt.Sprintf("; %d FLAKY", flaky)
	}
	_, err := fmt.Fprintln(w, s)
	return err
}

func pad(s string, n int) string {
	return s + strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s)))
}

func padLeft(s string, n int) string {
	return strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s))) + s
}

// clean makes one printable line of a text: what a tool printed must not move
// the cursor or colour the table.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		case r < ' ' || r == 0x7F || r >= 0x80 && r < 0xA0 || r == utf8.RuneError:
			return '?'
		}
		return r
	}, s)
}

// fold breaks a text at spaces; the first line begins with the indent, the others
// with as many blanks.
func fold(s, indent string) string {
	var b strings.Builder
	line, blank := indent, strings.Repeat(" ", utf8.RuneCountInString(indent))
	start := true
	for _, word := range strings.Fields(s) {
		if !start && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > textWidth {
			b.WriteString(line + "\n")
			line, start = blank, true
		}
		if !start {
			line += " "
		}
		line, start = line+word, false
	}
	return b.String() + line
}
