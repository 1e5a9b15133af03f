package capture_test

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/isotp"
)

// file writes frames to a file of the name and returns its path.
func file(t *testing.T, name string, opt capture.Options, all ...seen) string {
	path := filepath.Join(t.TempDir(), name)
	w, err := capture.Create(path, opt)
	require.NoError(t, err)
	for i := range all {
		require.NoError(t, w.Write(&all[i].Frame, all[i].Comment))
	}
	require.NoError(t, w.Close())
	return path
}

// dissect has tshark print the fields of every packet, one row each.
func dissect(t *testing.T, path string, args []string, fields ...string) (rows []map[string]string) {
	args = append([]string{"-r", path, "-T", "fields", "-E", "separator=/t", "--disable-protocol", "autosar-nm"}, args...)
	for _, f := range fields {
		args = append(args, "-e", f)
	}
	cmd := exec.Command(peer(t, "tshark"), args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	require.NoError(t, cmd.Run(), errs.String())
	for line := range strings.Lines(out.String()) {
		cells := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		require.Len(t, cells, len(fields), line)
		row := map[string]string{}
		for i, f := range fields {
			row[f] = cells[i]
		}
		rows = append(rows, row)
	}
	return rows
}

// combinations are all frames that format, remote, FD, BRS and ESI allow, and
// an error report.
func combinations() (all []seen) {
	add := func(f canbus.Frame) {
		n := len(all)
		f.Time = 1497283796*time.Second + time.Duration(n)*1_000_000_007
		f.Bus = uint8(n % 2)
		s := seen{Frame: f}
		if n%3 == 0 {
			s.Comment = fmt.Sprintf("touched by \"fault\" %d, Öl", n)
		}
		all = append(all, s)
	}
	for _, ext := range []canbus.Flags{0, canbus.Extended} {
		id := canbus.ID(0x123)
		if ext != 0 {
			id = 0x18DB33F1
		}
		for n := range 9 {
			f := canbus.Frame{ID: id, Flags: ext, Len: uint8(n)}
			copy(f.Data[:n], "\xA1\xB2\xC3\xD4\xE5\xF6\x07\x18")
			add(f)
			f.Flags, f.Data = ext|canbus.Remote, [64]byte{}
			add(f)
		}
		for dlc := range uint8(16) {
			for _, bits := range []canbus.Flags{0, canbus.BitRateSwitch, canbus.ErrorPassive, canbus.BitRateSwitch | canbus.ErrorPassive} {
				f := canbus.Frame{ID: id, Flags: ext | canbus.FD | bits, Len: uint8(canbus.LengthOf(dlc))}
				for i := range f.Len {
					f.Data[i] = 0xF0 ^ i
				}
				add(f)
			}
		}
	}
	add(canbus.Frame{ID: 0x40, Flags: canbus.Error, Len: 8})
	return all
}

// tshark (Wireshark's dissectors) sees every frame as we meant it: times to the
// nanosecond, buses, identifiers, flags, lengths, data, comments.
func TestTsharkSeesTheSameFrames(t *testing.T) {
	peer(t, "tshark")
	want := combinations()
	for _, name := range []string{"a.pcapng", "a.pcapng.gz"} {
		path := file(t, name, capture.Options{Buses: []string{"drive", "body"}}, want...)
		rows := dissect(t, path, nil, "frame.time_epoch", "frame.interface_name", "can.id", "can.flags.xtd",
			"can.flags.rtr", "can.flags.err", "can.err.busoff", "can.len", "canfd.flags.brs", "canfd.flags.esi", "data.data", "frame.comment")
		require.Len(t, rows, len(want))
		for i, w := range want {
			row := rows[i]
			say := fmt.Sprintf("frame %d: %v: %v", i+1, &w.Frame, row)
			assert.Equal(t, fmt.Sprintf("%d.%09d", w.Time/time.Second, w.Time%time.Second), row["frame.time_epoch"], say)
			assert.Equal(t, []string{"drive", "body"}[w.Bus], row["frame.interface_name"], say)
			assert.Equal(t, w.Comment, row["frame.comment"], say)
			if w.Has(canbus.Error) {
				assert.Equal(t, "1", row["can.flags.err"], say)
				assert.Equal(t, "1", row["can.err.busoff"], say)
				continue
			}
			assert.Equal(t, fmt.Sprint(uint32(w.ID)), row["can.id"], say)
			assert.Equal(t, bit(w.Has(canbus.Extended)), row["can.flags.xtd"], say)
			assert.Equal(t, fmt.Sprint(w.Len), row["can.len"], say)
			// Of a remote frame tshark shows the record's zero bytes.
			assert.Equal(t, hex.EncodeToString(w.Data[:w.Len]), row["data.data"], say)
			if w.Has(canbus.FD) {
				assert.Equal(t, bit(w.Has(canbus.BitRateSwitch)), row["canfd.flags.brs"], say)
				assert.Equal(t, bit(w.Has(canbus.ErrorPassive)), row["canfd.flags.esi"], say)
				assert.Empty(t, row["can.flags.rtr"], say)
			} else {
				assert.Equal(t, bit(w.Has(canbus.Remote)), row["can.flags.rtr"], say)
				assert.Empty(t, row["canfd.flags.brs"], say)
			}
		}
	}
}

func bit(b bool) string {
	if b {
		return "1"
	}
	return "0"
}

// conversation is traffic with messages of ISO 15765-2:2016: single frames, a
// segmented message with flow control, two interleaved, one in CAN FD, with the
// payloads that they carry (ISO 15765-2 clause 9; vehicle number invented).
func conversation() (all []seen, messages []string) {
	pad := func(id canbus.ID, b ...byte) canbus.Frame {
		for len(b) < 8 {
			b = append(b, 0xCC)
		}
		return canbus.New(id, b...)
	}
	fd := canbus.NewFD(0x7E0, canbus.BitRateSwitch, 0x00, 0x0A, 0x22, 0xF1, 0x90, 0xF1, 0x8C, 0xF1, 0x86, 0xF1, 0x95, 0xF1)
	for i, f := range []canbus.Frame{
		pad(0x7DF, 0x02, 0x09, 0x02),
		pad(0x7E8, 0x10, 0x14, 0x49, 0x02, 0x01, 'T', 'E', 'S'),
		pad(0x7E0, 0x30),
		canbus.New(0x1A0, 0, 1, 2),
		pad(0x7E9, 0x06, 0x41, 0x00, 0x98, 0x18, 0x80, 0x01),
		pad(0x7E8, 0x21, 'T', 'C', 'A', 'R', '0', '1', '2'),
		canbus.New(0x1A0, 0, 1, 3),
		pad(0x7E8, 0x22, '3', '4', '5', '6', '7', '8', '9'),
		fd,
		pad(0x7E8, 0x03, 0x7F, 0x22, 0x31),
		canbus.NewExtended(0x18DA10F1, 0x02, 0x3E, 0x00),
	} {
		f.Time = 1497283796*time.Second + time.Duration(i)*time.Millisecond
		all = append(all, seen{Frame: f})
	}
	return all, []string{
		"0902", "410098188001", hex.EncodeToString([]byte("\x49\x02\x01TESTCAR0123456789")),
		"22f190f18cf186f195f1", "7f2231", "3e00",
	}
}

// The dissector, our own reassembly and the standard's layout agree on what was
// said in a capture that we wrote.
func TestTsharkFindsTheSameMessages(t *testing.T) {
	peer(t, "tshark")
	all, want := conversation()
	path := file(t, "talk.pcapng", capture.Options{}, all...)

	rows := dissect(t, path, []string{"-Y", "can.id != 0x1A0", "-d", "can.subdissector,iso15765"},
		"iso15765.data_length", "iso15765.reassembled.length", "data.data")
	var theirs []string
	for _, row := range rows {
		if row["iso15765.data_length"] != "" || row["iso15765.reassembled.length"] != "" {
			theirs = append(theirs, row["data.data"])
		}
	}
	assert.Equal(t, want, theirs)

	r, err := capture.Open(path)
	require.NoError(t, err)
	back, err := readAll(t, r)
	require.NoError(t, err)
	require.NoError(t, r.Close())
	s := isotp.NewSniffer(isotp.SnifferConfig{})
	var ours []string
	for i := range back {
		if m, ok := s.See(i+1, &back[i].Frame); ok && m.Kind == isotp.Whole {
			ours = append(ours, hex.EncodeToString(m.Payload))
		}
	}
	assert.Equal(t, want, ours)
}

// What other programs make of a capture reads the same: editcap converts to the
// pcap variants, and mergecap merges files with interfaces of the same names.
func TestConvertedByOthers(t *testing.T) {
	editcap := peer(t, "editcap")
	want := combinations()
	path := file(t, "a.pcapng", capture.Options{Buses: []string{"drive", "body"}}, want...)
	for format, unit := range map[string]time.Duration{"pcap": time.Microsecond, "nsecpcap": 1, "pcapng": 1} {
		out := filepath.Join(t.TempDir(), "converted")
		msg, err := exec.Command(editcap, "-F", format, path, out).CombinedOutput()
		require.NoError(t, err, string(msg))
		r, err := capture.Open(out)
		require.NoError(t, err)
		got, err := readAll(t, r)
		require.NoError(t, err)
		require.NoError(t, r.Close())
		require.Len(t, got, len(want))
		for i, w := range want {
			if w.Time = w.Time.Truncate(unit); format != "pcapng" {
				w.Bus, w.Comment = 0, ""
			}
			require.Equal(t, w, got[i], format)
		}
	}
}

func TestMergedByOthers(t *testing.T) {
	mergecap := peer(t, "mergecap")
	want := combinations()
	var paths []string
	for bus, name := range []string{"drive", "body"} {
		part := slices.Clone(want)
		part = slices.DeleteFunc(part, func(s seen) bool { return int(s.Bus) != bus })
		for i := range part {
			part[i].Bus = 0
		}
		paths = append(paths, file(t, "a.pcapng", capture.Options{Buses: []string{name}}, part...))
	}
	out := filepath.Join(t.TempDir(), "merged.pcapng")
	msg, err := exec.Command(mergecap, append([]string{"-w", out}, paths...)...).CombinedOutput()
	require.NoError(t, err, string(msg))
	r, err := capture.Open(out)
	require.NoError(t, err)
	got, err := readAll(t, r)
	require.NoError(t, err)
	require.NoError(t, r.Close())
	assert.Equal(t, want, got)
	assert.Equal(t, []string{"drive", "body"}, r.Buses())

	// Concatenated files are sections of one file.
	a, err := os.ReadFile(paths[0])
	require.NoError(t, err)
	b, err := os.ReadFile(paths[1])
	require.NoError(t, err)
	both, err := readBytes(t, slices.Concat(a, b, a))
	require.NoError(t, err)
	assert.Len(t, both, len(want)+(len(want)+1)/2)
}
