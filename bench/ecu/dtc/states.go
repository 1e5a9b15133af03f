package dtc

import "encoding/binary"

// State is a value of the code memory that answers can hold.
type State struct {
	Name string
	// Bytes is its length.
	Bytes int
	// Append appends it as it is now.
	Append func(m *Memory, b []byte) []byte
}

// States are the values that descriptions of units name by "state".
func States() []State {
	return []State{
		{Name: "monitor_status", Bytes: 4, Append: (*Memory).appendStatus},
		{Name: "cycle_status", Bytes: 4, Append: (*Memory).appendCycleStatus},
		{Name: "freeze_code", Bytes: 2, Append: func(m *Memory, b []byte) []byte { return append16(b, uint16(m.FrameCode())) }},
		{Name: "warm_ups", Bytes: 1, Append: func(m *Memory, b []byte) []byte { return append(b, m.life.warmUps) }},
		{Name: "clear_km", Bytes: 2, Append: func(m *Memory, b []byte) []byte { return append16(b, saturate(m.life.clearKm)) }},
		{Name: "mil_km", Bytes: 2, Append: func(m *Memory, b []byte) []byte { return append16(b, saturate(m.life.milKm)) }},
		{Name: "clear_minutes", Bytes: 2, Append: func(m *Memory, b []byte) []byte { return append16(b, saturate(m.life.clearMinutes)) }},
		{Name: "mil_minutes", Bytes: 2, Append: func(m *Memory, b []byte) []byte { return append16(b, saturate(m.life.milMinutes)) }},
		{Name: "in_use_counters", Bytes: 32, Append: (*Memory).appendInUse},
	}
}

func append16(b []byte, v uint16) []byte { return binary.BigEndian.AppendUint16(b, v) }
