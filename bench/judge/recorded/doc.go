// Package recorded judges what already happened: a recording of a tester with a real
// or a stand-in car, both directions in it, is put through the rules of conduct, and
// through expectations that need frames only. What a tool said can be compared with
// what the units answered in it.
//
// A recording does not tell who has sent a frame: what is on an identifier of test
// equipment is the tool's, everything else the car's. What began and was cut off by
// the recording's end is undecided. Where a run of the bench has left what it knew
// beside the bus (tasks, faults, the key), this comes to what the run came to.
package recorded
