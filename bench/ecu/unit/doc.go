// Package unit is one control unit on a bus: its diagnostic server with transport under
// it, its supply and operation cycles, and its periodic messages.
//
// Here lives what joins the parts of a unit to the loop and the bus, and nothing that a
// part can do alone: [Unit] is a node of the bus. A request goes from here to package
// server, which asks packages dtc and spec; nothing comes back but answers.
package unit
