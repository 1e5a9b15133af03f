package bench

import (
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"time"

	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
)

// RecordingDesk is a desk that can record the bus into a folder, too.
type RecordingDesk struct {
	*Desk
	folder string
	w      *capture.Writer
	file   string
}

// RecordingDesk returns the rig's controls with a folder for recordings.
func (r *Rig) RecordingDesk(folder string) *RecordingDesk {
	return &RecordingDesk{Desk: r.Desk(), folder: folder}
}

var recordingName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$`)

// StartRecording implements api.Recorder.
func (d *RecordingDesk) StartRecording(name string) error {
	switch {
	case d.w != nil:
		return fmt.Errorf("%s is being recorded; end it first", d.file)
	case !recordingName.MatchString(name):
		return fmt.Errorf("name %q, want letters, digits, _ and -, at most 64", name)
	}
	file := filepath.Join(d.folder, name+".pcapng")
	w, err := capture.Create(file, capture.Options{
		Buses: d.rig.busNames(), Origin: clock.WallTime().Add(-d.rig.Loop.Now()), FlushEvery: time.Second,
	})
	if err != nil {
		return err
	}
	d.w, d.file = w, file
	d.rig.watch.record, d.rig.watch.err = w, nil
	return nil
}

// StopRecording implements api.Recorder.
func (d *RecordingDesk) StopRecording() (string, int64, error) {
	if d.w == nil {
		return "", 0, errors.New("nothing is being recorded")
	}
	w := d.w
	d.w, d.rig.watch.record = nil, nil
	return d.file, w.Frames(), errors.Join(d.rig.watch.err, w.Close())
}

// Close ends a recording that is still under way.
func (d *RecordingDesk) Close() error {
	if d.w == nil {
		return nil
	}
	_, _, err := d.StopRecording()
	return err
}
