// Package alter alters frames on their way from a node to its bus, precisely and
// reproducibly: it drops, delays, doubles, reorders, changes, freezes them.
//
// A [Bus] stands between the nodes and a real bus. What a [Alteration] does happens
// between a node and the copper, as in a gateway or a damaged controller: the node
// believes that its frame has left. Frames that no alteration touches pass straight
// through. What was done to a frame goes with it to the tap, so that a recording
// can say so.
//
// All chance comes from the generator that an alteration is given.
package alter
