package ecu

import "encoding/binary"

// lastOBD is the highest service of emission OBD (SAE J1979).
const lastOBD = 0x0A

// hasOBD reports whether the unit has a service of emission OBD; its boot program
// has none.
func (s *Server) hasOBD(sid byte) bool {
	if s.spec.OBD == nil || s.boot {
		return false
	}
	switch sid {
	case 0x01, 0x02, 0x03, 0x04, 0x07, 0x09, 0x0A:
		return true
	case 0x06:
		return len(s.spec.OBD.Results) > 0
	case 0x08:
		return len(s.tests) > 0
	}
	return false
}

// emission answers the services of SAE J1979. What the unit does not have, or
// a request out of shape, gets no answer at all; the only refusals are those
// of service 04.
func (s *Server) emission(req []byte) byte {
	switch req[0] {
	case 0x01:
		return s.currentData(req[1:])
	case 0x02:
		return s.freezeFrame(req[1:])
	case 0x06:
		return s.monitorResults(req[1:])
	case 0x08:
		return s.controlTest(req[1:])
	case 0x09:
		return s.vehicleInformation(req[1:])
	}
	if len(req) != 1 {
		return silence
	}
	switch req[0] {
	case 0x03:
		return s.appendCodes(confirmedDTC)
	case 0x04:
		return s.clearEmission()
	case 0x07:
		return s.appendCodes(pendingDTC)
	}
	return s.appendCodes(0)
}

// currentData is service 01: one to six PIDs, of which the supported ones are
// answered; the PIDs that say what is supported are not mixed with data.
func (s *Server) currentData(pids []byte) byte {
	if len(pids) == 0 || len(pids) > 6 || mixed(pids, 1) {
		return silence
	}
	for _, pid := range pids {
		s.appendPID(pid)
	}
	return s.unlessEmpty()
}

// appendPID adds one group of service 01 if the unit has it.
func (s *Server) appendPID(pid byte) bool {
	if pid&0x1F == 0 {
		mask := supported(pid, s.hasPID)
		if mask == 0 && pid != 0 {
			return false
		}
		s.out = binary.BigEndian.AppendUint32(append(s.out, pid), mask)
		return true
	}
	if s.pids[pid] == nil {
		return false
	}
	s.out = s.pids[pid].append(append(s.out, pid), s)
	return true
}

func (s *Server) hasPID(id byte) bool { return s.pids[id] != nil }

func (s *Server) hasType(id byte) bool { return s.types[id] != nil }

func (s *Server) unlessEmpty() byte {
	if len(s.out) == 1 {
		return silence
	}
	return 0
}

// mixed reports whether ids of "supported" ranges stand beside others; they
// come in groups of step bytes.
func mixed(ids []byte, step int) bool {
	ranges := 0
	for i := 0; i < len(ids); i += step {
		if ids[i]&0x1F == 0 {
			ranges++
		}
	}
	return ranges != 0 && ranges != len(ids)/step
}

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
		if id&0x1F != 0 && has(byte(id)) {
			return mask | 1
		}
	}
	return mask
}

// freezeFrame is service 02: one to three pairs of PID and frame number, of
// which only frame 00 exists.
func (s *Server) freezeFrame(pairs []byte) byte {
	if len(pairs) == 0 || len(pairs) > 6 || len(pairs)%2 != 0 || mixed(pairs, 2) {
		return silence
	}
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] == 0 {
			s.appendFrozen(pairs[i])
		}
	}
	return s.unlessEmpty()
}

func (s *Server) appendFrozen(pid byte) {
	switch {
	case pid&0x1F == 0:
		if mask := supported(pid, s.hasFrozen); mask != 0 || pid == 0 {
			s.out = binary.BigEndian.AppendUint32(append(s.out, pid, 0), mask)
		}
	case pid == 0x02:
		s.out = append16(append(s.out, pid, 0), uint16(s.mem.frameCode()))
	case s.mem.frameCode() != 0:
		s.appendFrom(s.mem.frame.data, pid, pid, 0)
	}
}

func (s *Server) hasFrozen(id byte) bool {
	for _, f := range s.frozen {
		if f.pid == id {
			return true
		}
	}
	return id == 0x02
}

// appendFrom adds head and the bytes of one PID of a snapshot.
func (s *Server) appendFrom(snapshot []byte, pid byte, head ...byte) {
	for _, f := range s.frozen {
		if f.pid == pid && f.offset+f.len <= len(snapshot) {
			s.out = append(append(s.out, head...), snapshot[f.offset:f.offset+f.len]...)
		}
	}
}

// appendCodes is services 03, 07 and 0A: a count, then two bytes a code.
func (s *Server) appendCodes(bit byte) byte {
	var codes []DTC
	if bit == 0 {
		codes = s.mem.Permanent(nil)
	} else {
		codes = s.mem.list(nil, bit)
	}
	codes = codes[:min(len(codes), 255)]
	s.out = append(s.out, byte(len(codes)))
	for _, c := range codes {
		s.out = append16(s.out, uint16(c))
	}
	return 0
}

// clearEmission is service 04.
func (s *Server) clearEmission() byte {
	if broken(s.clearBy, s.readings) != nil {
		return conditionsNotCorrect
	}
	if !s.dry {
		s.mem.Clear(emissionGroup)
	}
	return 0
}

// monitorResults is service 06: one monitor, or up to six ranges of what there is.
func (s *Server) monitorResults(mids []byte) byte {
	if len(mids) == 0 || len(mids) > 6 || mixed(mids, 1) || mids[0]&0x1F != 0 && len(mids) > 1 {
		return silence
	}
	for _, mid := range mids {
		switch {
		case mid&0x1F != 0:
			s.out = s.mem.appendResults(s.out, mid, mid)
		default:
			if mask := supported(mid, s.mem.hasMID); mask != 0 || mid == 0 {
				s.out = binary.BigEndian.AppendUint32(append(s.out, mid), mask)
			}
		}
	}
	return s.unlessEmpty()
}

// vehicleInformation is service 09: one infotype.
func (s *Server) vehicleInformation(types []byte) byte {
	if len(types) != 1 {
		return silence
	}
	it := types[0]
	s.out = append(s.out, it)
	if it&0x1F == 0 {
		mask := supported(it, s.hasType)
		if mask == 0 && it != 0 {
			return silence
		}
		s.out = binary.BigEndian.AppendUint32(s.out, mask)
		return 0
	}
	t := s.types[it]
	if t == nil {
		return silence
	}
	s.out = t.layout.append(append(s.out, t.items), s)
	return 0
}
