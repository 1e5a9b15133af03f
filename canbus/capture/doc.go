// Package capture reads and writes recordings of CAN buses: pcap and pcapng
// with link type 227 (LINKTYPE_CAN_SOCKETCAN), a simple CSV, and all of them
// inside gzip. What a file is, is found from its content, never from its name.
//
// Reading and writing stream: memory depends on the largest block (bounded by
// 1 MiB), not on the length of the recording, and no frame costs an allocation.
//
// # Packet record
//
// Every packet is one record (libpcap, "LINKTYPE_CAN_SOCKETCAN"):
//
//	@0 4 can_id with EFF, RTR and ERR bits, big-endian in every file
//	@4 1 payload length in bytes
//	@5 1 FD flags: 0x01 BRS, 0x02 ESI, 0x04 FDF; 0 for classical frames
//	@6 1 reserved
//	@7 1 raw data length code 9..15 of a classical frame (Linux len8_dlc), else 0
//	@8 n payload, perhaps zero-padded to 16 (classical) or 72 bytes (FD) in all
//
// Trimmed and padded records are read; padded ones are written. Old writers
// leave FDF out: a record of 72 bytes, or with more than 8 payload bytes, is FD
// all the same.
//
// # CSV
//
// RFC 4180 with a header line. Columns are found by name, in any order:
//
//	time     seconds since 1970-01-01T00:00:00Z, up to nine decimals
//	bus      number of the bus, 0..255; optional, 0
//	id       identifier in hexadecimal; for an error report its class bits
//	flags    words joined by spaces, ISO 11898-1's names of the bits: IDE (29-bit
//	         identifier), RTR (remote), FDF (CAN FD), BRS, ESI; and ERR for a
//	         controller's error report; optional
//	dlc      data length code 0..15 (ISO 11898-1:2015 table 5); optional where
//	         the data tells it, which in a last line without an end it does not
//	data     payload in hexadecimal; empty for remote frames
//	comment  what was done to the frame; optional
//
// Without a flags column an identifier of more than three digits has 29 bits.
// The shorter header time,id,dlc,data is therefore the same format.
//
// # Damage
//
// All that can be read is delivered first: a record that is framed well but
// carries no valid frame is passed over, and [Reader.Next] reports the first of
// them at the end, in place of [io.EOF]; where the framing itself is broken or
// the input ends inside a record, reading ends there. Either is an [*Error] with
// the byte offset, in CSV also line and column.
//
// # Files that are being written
//
// [Create] writes beside the file, in the same folder, under its name with
// ".part" added, and [Writer.Close] renames it: the name appears when the file
// is whole. After a crash or a loss of power the .part file holds everything up
// to the last flush, and [Open] reads it, ending with an Error where it was cut.
package capture
