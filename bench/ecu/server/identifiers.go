package server

import (
	"slices"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// did is one bound data identifier.
type did struct {
	access
	layout layout
	write  *didWrite
}

type didWrite struct {
	access
	needs []spec.Bound
}

type infotype struct {
	layout layout
	items  byte
}

// source is one part of a dynamically defined identifier: bytes of another one, or
// of memory.
type source struct {
	did       uint16
	from, len int
	region    *region
}

// appendDID adds one identifier with its data; b stays as it is with a refusal. F4xx are
// the PIDs, F6xx the monitors and F8xx the infotypes of emission OBD (ISO 27145-2, SAE
// J1979-2), unless the description has its own.
func (s *Server) appendDID(b []byte, id uint16) ([]byte, uds.NRC) {
	if d := s.dids[id]; d != nil {
		switch {
		case d.in&s.session.mask == 0, s.boot && !slices.Contains(s.unit.Programming.DIDs, id):
			return b, uds.RequestOutOfRange
		case !s.locks.allow(d.security):
			return b, uds.SecurityAccessDenied
		}
		return d.layout.append(append16(b, id), s), 0
	}
	if parts, ok := s.dynamic[id]; ok {
		return s.appendDynamic(b, id, parts)
	}
	if s.unit.OBD == nil || s.boot {
		return b, uds.RequestOutOfRange
	}
	high, low := byte(id>>8), byte(id)
	more, ok := b, false
	switch {
	case high == uds.OBDParameters:
		more, ok = s.appendPID(append(b, high), low)
	case high == uds.OBDMonitors && s.mem.HasResults():
		more, ok = s.appendMonitor(append16(b, id), low)
	case high == uds.OBDInfotypes:
		more, ok = s.appendInfotype(append16(b, id), low)
	}
	if !ok {
		return b, uds.RequestOutOfRange
	}
	return more, 0
}

// appendMonitor adds the tests of a monitor without repeating it, or the mask of those
// there are (SAE J1979-2, from memory).
func (s *Server) appendMonitor(b []byte, mid byte) ([]byte, bool) {
	if uds.IsRange(mid) {
		mask := supported(mid, s.mem.HasMonitor)
		return append32(b, mask), mask != 0 || mid == 0
	}
	return s.mem.AppendResults(b, mid), s.mem.HasMonitor(mid)
}

// appendInfotype adds the data of an infotype without its count of items, or the mask of
// those there are.
func (s *Server) appendInfotype(b []byte, it byte) ([]byte, bool) {
	if uds.IsRange(it) {
		mask := supported(it, s.hasType)
		return append32(b, mask), mask != 0 || it == 0
	}
	if !s.hasType(it) {
		return b, false
	}
	return s.types[it].layout.append(b, s), true
}

// appendDynamic adds the parts as they are now, if the session and its locks still
// allow them.
func (s *Server) appendDynamic(b []byte, id uint16, parts []source) ([]byte, uds.NRC) {
	more := append16(b, id)
	for _, p := range parts {
		if p.region != nil {
			if _, nrc := s.readable(p.region.spec.Address, 1); nrc != 0 {
				return b, nrc
			}
			more = append(more, p.region.bytes(s.nv)[p.from:p.from+p.len]...)
			continue
		}
		part, nrc := s.appendDID(nil, p.did)
		if nrc != 0 {
			return b, nrc
		}
		more = append(more, part[2+p.from:2+p.from+p.len]...)
	}
	return more, 0
}

// appendPID adds one parameter with its data if the unit has it, or the mask of those
// there are.
func (s *Server) appendPID(b []byte, pid byte) ([]byte, bool) {
	if uds.IsRange(pid) {
		mask := supported(pid, s.hasPID)
		return append32(append(b, pid), mask), mask != 0 || pid == 0
	}
	if !s.hasPID(pid) {
		return b, false
	}
	return s.pids[pid].append(append(b, pid), s), true
}

func (s *Server) hasPID(id byte) bool { return s.pids[id] != nil }

func (s *Server) hasType(id byte) bool { return s.types[id] != nil }

// supported is the mask of the 32 ids above base: the highest bit is base+1,
// the lowest base+32, which stands for "a higher range has something".
func supported(base byte, has func(id byte) bool) uint32 {
	mask := uint32(0)
	for i := 1; i <= 31; i++ {
		if id := int(base) + i; id <= 0xFF && has(byte(id)) {
			mask |= 1 << (32 - i)
		}
	}
	for id := int(base) + 33; id <= 0xFF; id++ {
		if !uds.IsRange(byte(id)) && has(byte(id)) {
			return mask | 1
		}
	}
	return mask
}

// mixed reports whether ids of "supported" ranges stand beside others; they
// come in groups of step bytes.
func mixed(ids []byte, step int) bool {
	ranges := 0
	for i := 0; i < len(ids); i += step {
		if uds.IsRange(ids[i]) {
			ranges++
		}
	}
	return ranges != 0 && ranges != len(ids)/step
}
