package server

import "sawhorse/canbus/uds"

// frozenPID is a PID of the freeze frame and of snapshots, and where its data are.
type frozenPID struct {
	pid         byte
	offset, len int
}

// freeze appends the data of a snapshot as they are now.
func (s *Server) freeze(b []byte) []byte {
	for _, f := range s.frozen {
		b = s.pids[f.pid].append(b, s)
	}
	return b
}

// appendFrom adds head and the bytes of one PID of a snapshot.
func (s *Server) appendFrom(b, snapshot []byte, pid byte, head ...byte) []byte {
	for _, f := range s.frozen {
		if f.pid == pid && f.offset+f.len <= len(snapshot) {
			b = append(append(b, head...), snapshot[f.offset:f.offset+f.len]...)
		}
	}
	return b
}

// appendAll adds all of a snapshot, each PID as identifier F4xx.
func (s *Server) appendAll(b, snapshot []byte) []byte {
	for _, f := range s.frozen {
		b = s.appendFrom(b, snapshot, f.pid, uds.OBDParameters, f.pid)
	}
	return b
}
