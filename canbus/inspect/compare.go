package inspect

import (
	"errors"
	"fmt"
	"io"
	"math"

	"sawhorse/canbus"
)

// Difference is how two recordings differ.
type Difference struct {
	Gone    []ID     `json:"gone"` // in the first only
	New     []ID     `json:"new"`  // in the second only
	Periods []Period `json:"periods_changed"`
	// First is the first pair of frames that differ, times aside; nil if none do
	// as far as the shorter one goes.
	First *Pair `json:"first_difference"`
	// Equal counts the frames before it.
	Equal int `json:"equal_frames"`
}

// Period is an identifier whose period changed.
type Period struct {
	ID    string  `json:"id"`
	Bus   uint8   `json:"bus"`
	Left  float64 `json:"left_ms"`
	Right float64 `json:"right_ms"`
}

// Pair is what stands at one place in both; an empty one is the end of its
// recording.
type Pair struct {
	Frame int    `json:"frame"`
	Left  string `json:"left"`
	Right string `json:"right"`
}

// Source gives frames until io.EOF.
type Source interface {
	Next(f *canbus.Frame) error
}

// changedBy is from which share on a period counts as changed.
const changedBy = 0.1

// Compare reads two recordings side by side. Reports of both come along. An error
// is that of a damaged recording; all that could be read has been compared.
func Compare(a, b Source, opt Options) (*Difference, *Report, *Report, error) {
	left, right := New(opt), New(opt)
	d := &Difference{}
	var fa, fb canbus.Frame
	errA, errB := error(nil), error(nil)
	for errA == nil || errB == nil {
		if errA == nil {
			if errA = a.Next(&fa); errA == nil {
				left.See(&fa)
			}
		}
		if errB == nil {
			if errB = b.Next(&fb); errB == nil {
				right.See(&fb)
			}
		}
		if d.First == nil && (errA == nil || errB == nil) {
			d.pair(&fa, &fb, errA, errB)
		}
	}
	ra, rb := left.Report(), right.Report()
	d.compare(ra, rb)
	return d, ra, rb, errors.Join(notEnd(errA), notEnd(errB))
}

func notEnd(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

func (d *Difference) pair(a, b *canbus.Frame, errA, errB error) {
	fa, fb := *a, *b
	fa.Time, fb.Time = 0, 0
	if errA == nil && errB == nil && fa == fb {
		d.Equal++
		return
	}
	p := &Pair{Frame: d.Equal + 1}
	if errA == nil {
		p.Left = a.String()
	}
	if errB == nil {
		p.Right = b.String()
	}
	d.First = p
}

func (d *Difference) compare(a, b *Report) {
	type place struct {
		bus uint8
		key canbus.Key
	}
	right := map[place]ID{}
	for _, id := range b.IDs {
		right[place{id.Bus, id.Key}] = id
	}
	left := map[place]bool{}
	for _, id := range a.IDs {
		at := place{id.Bus, id.Key}
		left[at] = true
		o, ok := right[at]
		if !ok {
			d.Gone = append(d.Gone, id)
			continue
		}
		if id.Frames > 2 && o.Frames > 2 && math.Abs(o.Median-id.Median) > changedBy*max(id.Median, o.Median) {
			d.Periods = append(d.Periods, Period{id.Name, id.Bus, id.Median, o.Median})
		}
	}
	for _, id := range b.IDs {
		if !left[place{id.Bus, id.Key}] {
			d.New = append(d.New, id)
		}
	}
}

// String says the difference in one line.
func (p *Pair) String() string {
	end := func(s string) string {
		if s == "" {
			return "the end"
		}
		return s
	}
	return fmt.Sprintf("frame %d: %s, then %s", p.Frame, end(p.Left), end(p.Right))
}
