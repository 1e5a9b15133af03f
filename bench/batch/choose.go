package batch

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// MaxRuns bounds a batch.
const MaxRuns = 1_000_000

// Seeds reads a set of seeds: numbers and ranges, 1-200 or 1,5,9-12. They come in
// the order given, and each once.
func Seeds(text string) ([]uint64, error) {
	var list []uint64
	seen := map[uint64]bool{}
	for part := range strings.SplitSeq(text, ",") {
		from, to, isRange := strings.Cut(strings.TrimSpace(part), "-")
		if !isRange {
			to = from
		}
		a, errA := strconv.ParseUint(from, 10, 64)
		z, errZ := strconv.ParseUint(to, 10, 64)
		if errA != nil || errZ != nil || z < a {
			return nil, fmt.Errorf("seeds %q: want numbers and ranges, such as 1-200 or 1,5,9-12", part)
		}
		if z-a >= MaxRuns || uint64(len(list))+(z-a) >= MaxRuns {
			return nil, fmt.Errorf("seeds %q: want at most %d", text, MaxRuns)
		}
		for s := a; ; s++ {
			if !seen[s] {
				seen[s] = true
				list = append(list, s)
			}
			if s == z {
				break
			}
		}
	}
	return list, nil
}

// Axis is a parameter of a fault and the values that it takes.
type Axis struct {
	Fault, Param string
	Values       []string
}

// ParseAxis reads fault.param=value,value.
func ParseAxis(text string) (Axis, error) {
	name, values, ok := strings.Cut(text, "=")
	fault, param, dotted := strings.Cut(name, ".")
	a := Axis{Fault: fault, Param: param, Values: strings.Split(values, ",")}
	if !ok || !dotted || fault == "" || param == "" || slices.Contains(a.Values, "") {
		return a, fmt.Errorf("parameter %q: want FAULT.PARAM=VALUE,VALUE", text)
	}
	return a, nil
}

// Combine lists every choice of one value of each list, the last list's values
// changing first; one empty choice of no lists.
func Combine[T any](lists [][]T) [][]T {
	all := [][]T{nil}
	for _, list := range lists {
		var next [][]T
		for _, head := range all {
			for _, v := range list {
				next = append(next, append(slices.Clone(head), v))
			}
		}
		all = next
	}
	return all
}

// Shard is one part of a batch, for one of several machines.
type Shard struct{ Part, Of int }

// ParseShard reads 2/5; "" is all.
func ParseShard(text string) (Shard, error) {
	if text == "" {
		return Shard{1, 1}, nil
	}
	part, of, ok := strings.Cut(text, "/")
	i, errI := strconv.Atoi(part)
	n, errN := strconv.Atoi(of)
	if !ok || errI != nil || errN != nil || i < 1 || n < i {
		return Shard{}, fmt.Errorf("shard %q: want PART/PARTS, such as 1/4 to 4/4", text)
	}
	return Shard{i, n}, nil
}

// Has reports whether the run of a number, from 0, is in this part. Every run is in
// one of the parts; runs of one scenario are spread over all.
func (s Shard) Has(run int) bool { return run%s.Of == s.Part-1 }

// FileName makes a text fit for a part of a file's name.
func FileName(text string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("._+-=", r) {
			return r
		}
		return '_'
	}, text)
}
