package page

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
	"time"
)

// esc makes a text safe inside the pictures, which are built without a template.
func esc(s string) string { return html.EscapeString(s) }

func seconds(d time.Duration) string { return strconv.FormatFloat(d.Seconds(), 'f', 3, 64) }

// number writes a count with a thin space between thousands.
func number(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

func frames(first, last int32) string {
	if last > first {
		return fmt.Sprintf("frames %d–%d", first, last)
	}
	return fmt.Sprintf("frame %d", first)
}

// value writes a signal's value with as many digits as tell something.
func value(v float32) string {
	switch a := math.Abs(float64(v)); {
	case a >= 1000:
		return strconv.FormatFloat(float64(v), 'f', 0, 32)
	case a >= 100:
		return trim(strconv.FormatFloat(float64(v), 'f', 1, 32))
	case a < 0.0005:
		return "0"
	}
	return trim(strconv.FormatFloat(float64(v), 'f', 3, 32))
}

func trim(s string) string { return strings.TrimRight(strings.TrimRight(s, "0"), ".") }

// coordinate writes a place in a picture, to a tenth.
func coordinate(v float64) string {
	return trim(strconv.FormatFloat(v, 'f', 1, 64))
}

// axis divides the time from 0 to the end.
type axis struct {
	end   time.Duration
	ticks []time.Duration
}

const maxTicks = 6

func newAxis(end time.Duration) axis {
	a := axis{end: max(end, time.Millisecond)}
	step := time.Millisecond
	for _, factor := range steps() { // 1, 2, 5, 10, 20, 50 ms and so on
		if step = factor; a.end/step < maxTicks {
			break
		}
	}
	for t := time.Duration(0); t <= a.end; t += step {
		a.ticks = append(a.ticks, t)
	}
	return a
}

// steps are the round distances of ticks, from a millisecond to some weeks.
func steps() []time.Duration {
	var list []time.Duration
	for decade := time.Millisecond; decade < 1000*time.Hour; decade *= 10 {
		list = append(list, decade, 2*decade, 5*decade)
	}
	return list
}

// share is a moment's place on the axis, in per cent.
func (a axis) share(t time.Duration) float64 {
	return 100 * float64(min(max(t, 0), a.end)) / float64(a.end)
}

func (a axis) percent(t time.Duration) string {
	return strconv.FormatFloat(a.share(t), 'f', 2, 64) + "%"
}

// scale draws the axis: a picture of its own above the lanes.
func (a axis) scale() string {
	var b strings.Builder
	b.WriteString(`<svg class="scale" width="100%" height="18" aria-hidden="true">`)
	for i, t := range a.ticks {
		anchor := "middle"
		if i == 0 {
			anchor = "start"
		} else if a.share(t) > 96 {
			anchor = "end"
		}
		fmt.Fprintf(&b, `<text x="%s" y="13" text-anchor="%s">%s s</text>`, a.percent(t), anchor, trimSeconds(t))
	}
	b.WriteString(`</svg>`)
	return b.String()
}

func trimSeconds(t time.Duration) string { return strconv.FormatFloat(t.Seconds(), 'f', -1, 64) }

// grid draws the ticks' lines.
func (a axis) grid(b *strings.Builder) {
	for _, t := range a.ticks {
		p := a.percent(t)
		fmt.Fprintf(b, `<line class="grid" x1="%s" x2="%s" y1="0" y2="100%%"/>`, p, p)
	}
}
