package bench_test

import "testing"

// The driver's steering reaches the car, and the zero of the steering angle is
// learned straight ahead only: refused with the wheel at its lock, ended when it is
// turned meanwhile, done when it is left alone.
func TestTheSteeringAngleIsLearnedStraightAheadOnly(t *testing.T) {
	requirePass(t, runText(t, `scenario: steering
title: Straight ahead
about: A test.
car: petrel-48
duration: 200s
driver:
  - {at: 0s, key: "on", steering: 480}
  - {when: size(ended) == 1, after: 1s, steering: 0}
  - {when: 'event.kind == "response" && event.rid == 0x0230 && event.positive && event.sub == 1', nth: 1, after: 1s, steering: -90}
  - {when: size(ended) == 2, after: 1s, steering: 0}
tasks:
  - {task: learn, args: {position: steering-zero}, at: 2s, limit: 60s}
  - {task: learn, args: {position: steering-zero}, when: size(ended) == 1, after: 5s, limit: 60s}
  - {task: learn, args: {position: steering-zero}, when: size(ended) == 2, after: 5s, limit: 60s}
expect:
  - {id: turned, says: The wheel was at its lock, eventually: {that: steering_deg == 480.0}}
  - {id: refused, says: Not at the lock, reported: {task: learn, nth: 1, learn: refused}}
  - {id: answer, says: The unit said so, count: {of: 'event.kind == "response" && event.service == 0x31 && event.nrc == 0x22', at-least: 1}}
  - {id: turned-away, says: It was turned meanwhile, eventually: {that: steering_deg == -90.0}}
  - {id: not-done, says: So it was not learned, reported: {task: learn, nth: 2, learn: refused}}
  - {id: done, says: Left alone it is, reported: {task: learn, nth: 3, learn: done}}
`, 1))
}
