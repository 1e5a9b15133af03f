package recorder_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/recorder"
)

func at(i int) *canbus.Frame {
	f := canbus.New(0x100, byte(i), byte(i>>8))
	f.Time = time.Duration(i) * 10 * time.Millisecond
	return &f
}

func read(t *testing.T, name string) (ns []int) {
	t.Helper()
	r, err := capture.Open(name)
	require.NoError(t, err)
	defer r.Close()
	var f canbus.Frame
	for {
		err := r.Next(&f)
		if errors.Is(err, io.EOF) {
			return ns
		}
		require.NoError(t, err)
		ns = append(ns, int(f.Data[0])|int(f.Data[1])<<8)
	}
}

func span(from, to int) (ns []int) {
	for i := from; i < to; i++ {
		ns = append(ns, i)
	}
	return ns
}

func TestFilesFollowEachOtherWithoutLoss(t *testing.T) {
	dir := t.TempDir()
	var told []string
	r, err := recorder.NewRotating(filepath.Join(dir, "drive.pcapng"), recorder.Rotation{Frames: 40}, func(name string, _ int64) {
		told = append(told, filepath.Base(name))
	})
	require.NoError(t, err)
	for i := range 100 {
		require.NoError(t, r.Write(at(i), ""))
	}
	require.NoError(t, r.Close())
	require.Equal(t, []string{"drive-0001.pcapng", "drive-0002.pcapng", "drive-0003.pcapng"}, told)
	require.Equal(t, span(0, 40), read(t, filepath.Join(dir, told[0])))
	require.Equal(t, span(40, 80), read(t, filepath.Join(dir, told[1])))
	require.Equal(t, span(80, 100), read(t, filepath.Join(dir, told[2])))
}

func TestByTimeAndTheOldestGo(t *testing.T) {
	dir := t.TempDir()
	r, err := recorder.NewRotating(filepath.Join(dir, "drive.csv.gz"), recorder.Rotation{Length: 200 * time.Millisecond, Keep: 2}, nil)
	require.NoError(t, err)
	for i := range 100 {
		require.NoError(t, r.Write(at(i), ""))
	}
	require.NoError(t, r.Close())
	left, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.Len(t, left, 2)
	require.Equal(t, span(60, 80), read(t, left[0]))
	require.Equal(t, span(80, 100), read(t, left[1]))
	require.EqualValues(t, 100, r.Frames())
}

func TestBySize(t *testing.T) {
	dir := t.TempDir()
	r, err := recorder.NewRotating(filepath.Join(dir, "drive.pcapng"), recorder.Rotation{Bytes: 2000}, nil)
	require.NoError(t, err)
	for i := range 200 {
		require.NoError(t, r.Write(at(i), ""))
	}
	require.NoError(t, r.Close())
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.Greater(t, len(files), 3)
	total := 0
	for _, f := range files {
		info, err := os.Stat(f)
		require.NoError(t, err)
		require.Less(t, info.Size(), int64(2100))
		total += len(read(t, f))
	}
	require.Equal(t, 200, total)
}

func TestEarlierFilesAreLeftAlone(t *testing.T) {
	dir := t.TempDir()
	old := filepath.Join(dir, "drive-0001.pcapng")
	require.NoError(t, os.WriteFile(old, []byte("mine"), 0o600))
	r, err := recorder.NewRotating(filepath.Join(dir, "drive.pcapng"), recorder.Rotation{Frames: 10, Keep: 1}, nil)
	require.NoError(t, err)
	for i := range 30 {
		require.NoError(t, r.Write(at(i), ""))
	}
	require.NoError(t, r.Close())
	data, err := os.ReadFile(old)
	require.NoError(t, err)
	require.Equal(t, "mine", string(data))
}

// The last second before the moment, and half a second after it.
func TestARingIsSavedWhenSomethingHappens(t *testing.T) {
	dir := t.TempDir()
	var told []string
	r, err := recorder.NewRing(filepath.Join(dir, "fault.pcapng"), recorder.RingOptions{
		Before: time.Second, After: 500 * time.Millisecond, Told: func(name string, _ int64) { told = append(told, name) },
	})
	require.NoError(t, err)
	for i := range 1000 {
		require.NoError(t, r.Write(at(i), "", i == 300 || i == 320 || i == 900))
	}
	require.NoError(t, r.Close())
	require.Len(t, told, 2)
	require.Equal(t, span(200, 371), read(t, told[0]), "a second moment makes it longer")
	require.Equal(t, span(800, 951), read(t, told[1]))
	require.Equal(t, 2, r.Saved())
}

func TestARingIsBounded(t *testing.T) {
	dir := t.TempDir()
	r, err := recorder.NewRing(filepath.Join(dir, "x.pcapng"), recorder.RingOptions{Before: time.Hour, Most: 50})
	require.NoError(t, err)
	for i := range 200 {
		require.NoError(t, r.Write(at(i), "", i == 199))
	}
	require.NoError(t, r.Close())
	require.Equal(t, span(149, 200), read(t, filepath.Join(dir, "x-0001.pcapng")))
	require.EqualValues(t, 149, r.Lost())
}

func TestWrongOptions(t *testing.T) {
	_, err := recorder.NewRotating("x.pcapng", recorder.Rotation{}, nil)
	require.ErrorContains(t, err, "want a bound")
	_, err = recorder.NewRotating("x.txt", recorder.Rotation{Frames: 1}, nil)
	require.ErrorContains(t, err, ".pcapng or .csv")
	_, err = recorder.NewRing("x.pcapng", recorder.RingOptions{})
	require.ErrorContains(t, err, "some time before")
}
