// Package page makes a page of a run: verdicts, a picture of what happened when,
// the car's signals, and the exchange of messages between the tool and the control
// units, all in one HTML file without anything from outside. The file's own policy
// (Content-Security-Policy) forbids every request; its one script turns pages of a
// long exchange and the page is whole without it.
//
// A page is bounded, however long the run: frames and messages are drawn as numbers
// a step of time, and of a long exchange only the parts around what the verdicts rest
// on are shown, with a line for each gap. Frame numbers are those of the capture.
package page
