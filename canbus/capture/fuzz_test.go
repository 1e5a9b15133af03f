package capture_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"testing"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// drain reads whatever comes of bytes and checks what holds for all input: frames
// are valid, an end is io.EOF or an *Error within the input, and the end stays.
func drain(t *testing.T, b []byte, inGzip bool) (frames []seen) {
	r, err := capture.NewReader(bytes.NewReader(b), "fuzz")
	last := int64(-1)
	for err == nil {
		var s seen
		if err = r.Next(&s.Frame); err != nil {
			break
		}
		if e := checkFrame(&s.Frame, r.Frame(), last, len(r.Buses())); e != nil {
			t.Fatal(e)
		}
		last = r.Frame()
		s.Comment = r.Comment()
		frames = append(frames, s)
	}
	if e := checkEnd(err, len(b), inGzip); e != nil {
		t.Fatal(e)
	}
	if r != nil && r.Next(new(canbus.Frame)) != err {
		t.Fatal("reading went on after the end")
	}
	return frames
}

func checkFrame(f *canbus.Frame, number, before int64, buses int) error {
	switch {
	case f.Validate() != nil:
		return fmt.Errorf("frame %d is delivered and not valid: %w", number, f.Validate())
	case number <= before:
		return fmt.Errorf("frame %d after frame %d", number, before)
	case int(f.Bus) >= buses:
		return fmt.Errorf("bus %d of %d", f.Bus, buses)
	}
	return nil
}

func checkEnd(err error, size int, inGzip bool) error {
	var e *capture.Error
	switch {
	case err == io.EOF:
		return nil
	case !errors.As(err, &e):
		return fmt.Errorf("%T: %w", err, err)
	case e.Offset < 0 || !inGzip && e.Offset > int64(size) || e.Gzip && !inGzip:
		return fmt.Errorf("offset %d in %d bytes: %w", e.Offset, size, e)
	case e.Err == nil:
		return fmt.Errorf("an error without a cause: %#v", e)
	}
	return nil
}

// rewrite checks that what was read can be written and reads the same.
func rewrite(t *testing.T, frames []seen) {
	var out bytes.Buffer
	w, err := capture.NewWriter(&out, "again", capture.PcapNG, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	kept := frames[:0:0]
	for _, s := range frames {
		if s.Time < 0 {
			continue
		}
		s.Comment = "c"
		if err := w.Write(&s.Frame, s.Comment); err != nil {
			t.Fatal(err)
		}
		kept = append(kept, s)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	again := drain(t, out.Bytes(), false)
	if len(again) != len(kept) {
		t.Fatalf("%d frames of %d came back", len(again), len(kept))
	}
	for i := range kept {
		if again[i] != kept[i] {
			t.Fatalf("frame %d is %v, was %v", i+1, &again[i].Frame, &kept[i].Frame)
		}
	}
}

func fuzzOne(t *testing.T, b []byte) {
	gz := len(b) > 1 && b[0] == 0x1F && b[1] == 0x8B
	rewrite(t, drain(t, b, gz))
}

func FuzzPcap(f *testing.F) {
	for _, o := range []order{le, be} {
		b := o.AppendUint32(nil, 0xA1B2C3D4)
		b = o.AppendUint16(o.AppendUint16(b, 2), 4)
		b = o.AppendUint32(append(b, make([]byte, 12)...), 227)
		for _, k := range kinds() {
			rec := packetRecord(&k, k.Len%2 == 0)
			b = o.AppendUint32(o.AppendUint32(b, 5), 999_999)
			b = append(o.AppendUint32(o.AppendUint32(b, uint32(len(rec))), uint32(len(rec))), rec...)
		}
		f.Add(b)
		f.Add(b[:len(b)-3])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) >= 4 && binary.LittleEndian.Uint32(b) == 0x0A0D0D0A {
			return
		}
		fuzzOne(t, b)
	})
}

func FuzzPcapNG(f *testing.F) {
	for _, o := range []order{le, be} {
		k := kinds()
		blocks := [][]byte{ngIf(o, 227, "c", ngOption(o, 9, []byte{0x8A}), ngOption(o, 14, make([]byte, 8))), ngIf(o, 1, "e")}
		for i := range k {
			blocks = append(blocks, ngPacketLen(o, 0, uint64(i), packetRecord(&k[i], false), 72, ngOption(o, 1, []byte("why"))))
		}
		blocks = append(blocks, ngBlock(o, 3, append(o.AppendUint32(nil, 10), rec1...)), ngBlock(o, 99, []byte("skip me")))
		f.Add(ngFile(o, blocks...))
		f.Add(ngFile(o, append(blocks, ngHead(be), ngIf(be, 227, ""), ngPacket(be, 0, 1<<40, rec1))...))
	}
	f.Add(pcapngOf(f, 3))
	f.Fuzz(func(t *testing.T, b []byte) { fuzzOne(t, b) })
}

func FuzzCSV(f *testing.F) {
	f.Add("time,id,dlc,data\n1497283796.807994,140,8,830320fcdd000000\n")
	f.Add("time,bus,id,flags,dlc,data,comment\n1.5,2,18DAF110,IDE FDF BRS,9,000102030405060708090A0B,\"a,\"\"b\"\"\n\"\n")
	f.Add("\xEF\xBB\xBFid,time,data\r\n\r\n7FF,0,\r\n")
	f.Add("time,id,data,comment\n1,100,,\"open\n2,100,,\n")
	f.Fuzz(func(t *testing.T, s string) { fuzzOne(t, []byte(s)) })
}

func FuzzGzip(f *testing.F) {
	z := zipped(f, csvOf(f, 20))
	f.Add(z)
	f.Add(z[:len(z)-9])
	f.Add(zipped(f, pcapngOf(f, 20)))
	f.Fuzz(func(t *testing.T, b []byte) { fuzzOne(t, b) })
}

// The harness can fail: each of these would be caught.
func TestFuzzCanary(t *testing.T) {
	good := canbus.New(1)
	for _, e := range []error{
		checkFrame(&canbus.Frame{ID: 0x800}, 2, 1, 1),
		checkFrame(&good, 2, 2, 1),
		checkFrame(&good, 2, 1, 0),
		checkEnd(io.ErrUnexpectedEOF, 10, false),
		checkEnd(&capture.Error{Offset: 11, Err: io.ErrUnexpectedEOF}, 10, false),
		checkEnd(&capture.Error{Offset: -1, Err: io.ErrUnexpectedEOF}, 10, true),
		checkEnd(&capture.Error{Gzip: true, Err: io.ErrUnexpectedEOF}, 10, false),
		checkEnd(&capture.Error{}, 10, false),
	} {
		if e == nil {
			t.Error("not caught")
		}
	}
	if got := drain(t, pcapngOf(t, 7), false); len(got) != 7 {
		t.Errorf("%d frames of 7", len(got))
	}
}
