// Package replay plays a recording on one bus or several: a source of frames
// becomes a node named "replay" that sends each at its moment.
//
// # Time
//
// A frame's moment is the start, plus its offset from Options.From in the
// recording (counted from the recording's first frame), divided by the speed.
// Moments never depend on when earlier frames really left, so gaps add up to the
// recording's length whatever the bus did. Frames left out by a filter keep
// their share of time.
//
// A time that goes back by up to a second (recorders merge interfaces like that)
// means at once, in the order of the file. A larger step back is a new beginning:
// that frame follows at once, and gaps count from it.
//
// In a loop the first frame of a pass comes Options.JoinGap after the last of
// the pass before, measured in the recording; by default that is the mean gap of
// the first pass. Frames that filters leave out count for both.
//
// # Order and back-pressure
//
// On each bus the frames leave in the order of the recording: one is handed to
// the port when the one before is on the wire. What is due meanwhile waits in a
// queue of 64 frames a bus; when that is full, the recording waits too. Nothing
// is dropped because a bus is slow: the frames leave late, and Stats says how
// late. A port whose queue is full for other reasons is asked again.
package replay
