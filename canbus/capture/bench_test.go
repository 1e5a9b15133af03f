package capture_test

import (
	"bytes"
	"io"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

const linkCAN = layers.LinkType(227)

// benchFrames is how many frames one pass of a benchmark reads or writes.
const benchFrames = 100_000

// traffic makes the i-th frame of an endless, dull bus.
func traffic(i int, f *canbus.Frame) {
	f.Time = 1_700_000_000*time.Second + time.Duration(i)*250*time.Microsecond
	f.ID, f.Flags, f.Len, f.RawDLC, f.Bus = canbus.ID(0x100+i%0x400), 0, 8, 0, 0
	for k := range 8 {
		f.Data[k] = byte(i >> k)
	}
}

func pcapngOf(t testing.TB, n int) []byte {
	var out bytes.Buffer
	w, err := capture.NewWriter(&out, "t", capture.PcapNG, capture.Options{})
	require.NoError(t, err)
	var f canbus.Frame
	for i := range n {
		traffic(i, &f)
		require.NoError(t, w.Write(&f, ""))
	}
	require.NoError(t, w.Close())
	return out.Bytes()
}

func pcapOf(t testing.TB, n int) []byte {
	var out bytes.Buffer
	w := pcapgo.NewWriterNanos(&out)
	require.NoError(t, w.WriteFileHeader(0, linkCAN))
	var f canbus.Frame
	for i := range n {
		traffic(i, &f)
		b := packetRecord(&f, false)
		require.NoError(t, w.WritePacket(gopacket.CaptureInfo{Timestamp: time.Unix(0, int64(f.Time)), CaptureLength: len(b), Length: len(b)}, b))
	}
	return out.Bytes()
}

func csvOf(t testing.TB, n int) []byte {
	var out bytes.Buffer
	w, err := capture.NewWriter(&out, "t", capture.CSV, capture.Options{})
	require.NoError(t, err)
	var f canbus.Frame
	for i := range n {
		traffic(i, &f)
		require.NoError(t, w.Write(&f, ""))
	}
	require.NoError(t, w.Close())
	return out.Bytes()
}

func benchRead(b *testing.B, data []byte) {
	src := bytes.NewReader(data)
	r, err := capture.NewReader(src, "t")
	require.NoError(b, err)
	var f canbus.Frame
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		for err = r.Next(&f); err == nil; err = r.Next(&f) {
			n++
		}
		if err != io.EOF {
			b.Fatal(err)
		}
		if err = r.Rewind(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}

func BenchmarkReadPcap(b *testing.B)   { benchRead(b, pcapOf(b, benchFrames)) }
func BenchmarkReadPcapNG(b *testing.B) { benchRead(b, pcapngOf(b, benchFrames)) }
func BenchmarkReadCSV(b *testing.B)    { benchRead(b, csvOf(b, benchFrames)) }

// The same work by a general library: the bytes of a packet into its fields.
func BenchmarkReadPcapPeer(b *testing.B) {
	data := pcapOf(b, benchFrames)
	b.SetBytes(int64(len(data)))
	n := 0
	for b.Loop() {
		r, err := pcapgo.NewReader(bytes.NewReader(data))
		require.NoError(b, err)
		n += peerFrames(b, r)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}

func BenchmarkReadPcapNGPeer(b *testing.B) {
	data := pcapngOf(b, benchFrames)
	b.SetBytes(int64(len(data)))
	n := 0
	for b.Loop() {
		r, err := pcapgo.NewNgReader(bytes.NewReader(data), pcapgo.DefaultNgReaderOptions)
		require.NoError(b, err)
		n += peerFrames(b, r)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}

type peerReader interface {
	ZeroCopyReadPacketData() ([]byte, gopacket.CaptureInfo, error)
}

func peerFrames(b *testing.B, r peerReader) (n int) {
	var f canbus.Frame
	for {
		data, ci, err := r.ZeroCopyReadPacketData()
		if err == io.EOF {
			return n
		}
		if err != nil {
			b.Fatal(err)
		}
		f.Time = time.Duration(ci.Timestamp.UnixNano())
		f.ID = canbus.ID(uint32(data[0])<<24 | uint32(data[1])<<16 | uint32(data[2])<<8 | uint32(data[3]))
		f.Len = data[4]
		copy(f.Data[:8], data[8:])
		n++
	}
}

func BenchmarkWritePcapNG(b *testing.B) { benchWrite(b, capture.PcapNG) }
func BenchmarkWriteCSV(b *testing.B)    { benchWrite(b, capture.CSV) }

func benchWrite(b *testing.B, format capture.Format) {
	w, err := capture.NewWriter(io.Discard, "t", format, capture.Options{})
	require.NoError(b, err)
	var f canbus.Frame
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		f.Time = time.Duration(i) * 1000
		f.ID, f.Len = canbus.ID(i&0x7FF), 8
		if err := w.Write(&f, ""); err != nil {
			b.Fatal(err)
		}
		i++
	}
	b.ReportMetric(float64(i)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}

func BenchmarkWritePcapNGPeer(b *testing.B) {
	w, err := pcapgo.NewNgWriter(io.Discard, linkCAN)
	require.NoError(b, err)
	var f canbus.Frame
	var rec [16]byte
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		f.ID = canbus.ID(i & 0x7FF)
		rec[2], rec[3], rec[4] = byte(f.ID>>8), byte(f.ID), 8
		copy(rec[8:], f.Data[:8])
		ci := gopacket.CaptureInfo{Timestamp: time.Unix(0, int64(i)*1000), CaptureLength: 16, Length: 16}
		if err := w.WritePacket(ci, rec[:]); err != nil {
			b.Fatal(err)
		}
		i++
	}
	b.ReportMetric(float64(i)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}
