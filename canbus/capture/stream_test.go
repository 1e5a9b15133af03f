package capture_test

import (
	"encoding/binary"
	"io"
	"runtime"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// generator makes the bytes of a capture as they are read: head, then n records.
type generator struct {
	head, rest []byte
	n, i       int
	next       func(b []byte, i int) []byte
}

func (g *generator) Read(b []byte) (int, error) {
	if g.i == 0 && len(g.rest) == 0 {
		g.rest = append(g.rest[:0], g.head...)
	}
	n := 0
	for n < len(b) {
		if len(g.rest) == 0 {
			if g.i == g.n {
				break
			}
			g.rest = g.next(g.rest[:0], g.i)
			g.i++
		}
		k := copy(b[n:], g.rest)
		n += k
		g.rest = g.rest[:copy(g.rest, g.rest[k:])]
	}
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

func generated(format string, n int) *generator {
	rec := []byte{0, 0, 1, 0, 8, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8}
	switch format {
	case "pcap":
		head := binary.LittleEndian.AppendUint32(nil, 0xA1B23C4D)
		head = append(head, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 227, 0, 0, 0)
		return &generator{head: head, n: n, next: func(b []byte, i int) []byte {
			b = binary.LittleEndian.AppendUint32(b, uint32(i/4000))
			b = binary.LittleEndian.AppendUint32(b, uint32(i%4000*250_000))
			return append(append(b, 16, 0, 0, 0, 16, 0, 0, 0), rec...)
		}}
	case "pcapng":
		return &generator{head: ngFile(le, ngIf(le, 227, "")), n: n, next: func(b []byte, i int) []byte {
			b = append(b, 6, 0, 0, 0, 48, 0, 0, 0, 0, 0, 0, 0)
			us := uint64(i) * 250
			b = binary.LittleEndian.AppendUint32(b, uint32(us>>32))
			b = binary.LittleEndian.AppendUint32(b, uint32(us))
			return append(append(append(b, 16, 0, 0, 0, 16, 0, 0, 0), rec...), 48, 0, 0, 0)
		}}
	}
	return &generator{head: []byte("time,id,dlc,data\n"), n: n, next: func(b []byte, i int) []byte {
		b = strconv.AppendInt(b, int64(i/4000), 10)
		dot := len(b)
		b = strconv.AppendInt(b, int64(1_000_000+i%4000*250), 10)
		b[dot] = '.' // in place of the leading 1
		return append(b, ",100,8,0102030405060708\n"...)
	}}
}

// heap is what lives after a collection.
func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// A long recording needs no more memory than a short one, and its frames no
// allocations. BenchmarkTenMillion reads the ten million of the requirement.
func TestMemoryDoesNotGrow(t *testing.T) {
	for _, format := range []string{"pcap", "pcapng", "csv"} {
		n := 1_000_000
		if testing.Short() {
			n = 100_000
		}
		r, err := capture.NewReader(generated(format, n), format)
		require.NoError(t, err)
		var f canbus.Frame
		count := 0
		step := func(k int) {
			for range k {
				require.NoError(t, r.Next(&f))
				count++
			}
		}
		step(1000)
		start := heap()
		allocs := testing.AllocsPerRun(10, func() { step(100) })
		assert.Zero(t, allocs, format)
		for err = r.Next(&f); err == nil; err = r.Next(&f) {
			count++
		}
		assert.Equal(t, io.EOF, err)
		end := heap()
		assert.Equal(t, n, count)
		assert.Less(t, int64(end)-int64(start), int64(64<<10), "%s: %d bytes before, %d after", format, start, end)
		assert.Equal(t, time.Duration(n-1)*250*time.Microsecond, f.Time, format)
		runtime.KeepAlive(r)
	}
}

func TestWritingAllocatesNothing(t *testing.T) {
	for _, format := range []capture.Format{capture.PcapNG, capture.CSV} {
		w, err := capture.NewWriter(io.Discard, "t", format, capture.Options{})
		require.NoError(t, err)
		all := combinations()
		for i := range all {
			all[i].Comment = "held at 00"
		}
		assert.Zero(t, testing.AllocsPerRun(100, func() {
			for i := range all {
				if err := w.Write(&all[i].Frame, all[i].Comment); err != nil {
					t.Fatal(err)
				}
			}
		}), format)
	}
}

// Ten million frames; the metric is what lives on the heap meanwhile, beyond a
// reader of ten thousand.
func BenchmarkTenMillion(b *testing.B) {
	for _, format := range []string{"pcap", "pcapng", "csv"} {
		b.Run(format, func(b *testing.B) {
			for b.Loop() {
				r, err := capture.NewReader(generated(format, 10_000_000), format)
				require.NoError(b, err)
				var f canbus.Frame
				var low, high uint64
				for n := 0; ; n++ {
					if err = r.Next(&f); err != nil {
						break
					}
					if n == 10_000 {
						low = heap()
					}
					if n == 9_990_000 {
						high = heap()
					}
				}
				require.Equal(b, io.EOF, err)
				b.ReportMetric(float64(int64(high)-int64(low)), "B-grown")
			}
		})
	}
}
