package uds

// PID is a parameter of services 01 and 02 (SAE J1979:2012 appendix B): its name,
// shortened, how many bytes its data has and what is in them.
type PID struct {
	Name string
	Size int
	// Values are the numbers in the data.
	Values []Value
	// States are the words for the values of a byte, where it is one of a list.
	States []string
}

// Value is a number in the data of a parameter, big-endian: Scale times what is sent,
// plus Offset, in Unit ("" for none).
type Value struct {
	// At is the first of its bytes, Size how many there are.
	At, Size      int
	Signed        bool
	Scale, Offset float64
	Unit          string
}

// Decode is the value in the data of its parameter, which must be whole.
func (v *Value) Decode(data []byte) float64 {
	n := 0
	for _, b := range data[v.At : v.At+v.Size] {
		n = n<<8 | int(b)
	}
	if v.Signed && n >= 1<<(8*v.Size-1) {
		n -= 1 << (8 * v.Size)
	}
	return float64(float64(n)*v.Scale) + v.Offset
}

// Parameter is what the standard says of a parameter; false if it is not in the table,
// which has those of an ordinary car.
func Parameter(id byte) (PID, bool) {
	p := pids[id]
	return p, p.Name != ""
}

// IsRange reports whether a parameter, monitor, infotype or test says which of the next
// 32 there are (appendix A).
func IsRange(id byte) bool { return id&0x1F == 0 }

// Scales that occur often: a byte as a share, a byte around none, two bytes up to 2.
const (
	percent = 100.0 / 255
	trim    = 100.0 / 128
	ratio   = 2.0 / 65536
)

// Oxygen sensors: two-point ones with their voltage and trim (a trim of FF says that the
// sensor takes no part), linear ones with ratio and voltage or current.
var (
	narrow    = []Value{{Size: 1, Scale: 0.005, Unit: "V"}, {At: 1, Size: 1, Scale: trim, Offset: -100, Unit: "%"}}
	wideVolts = []Value{{Size: 2, Scale: ratio}, {At: 2, Size: 2, Scale: 8.0 / 65536, Unit: "V"}}
	wideAmps  = []Value{{Size: 2, Scale: ratio}, {At: 2, Size: 2, Scale: 1.0 / 256, Offset: -128, Unit: "mA"}}
)

// TrimNotUsed in the second byte of a two-point oxygen sensor: it takes no part.
const TrimNotUsed = 0xFF

var pids = [256]PID{
	0x00: {Name: "supported 01-20", Size: 4},
	0x01: {Name: "monitor status since clearing", Size: 4},
	0x02: {Name: "code that stored the freeze frame", Size: 2},
	0x03: {Name: "fuel system status", Size: 2, States: []string{0: "not used", 1: "open loop, cold", 2: "closed loop", 4: "open loop, load or overrun", 8: "open loop, fault", 0x10: "closed loop, a sensor faulty"}},
	0x04: {Name: "calculated load", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x05: {Name: "coolant temperature", Size: 1, Values: []Value{{Size: 1, Scale: 1, Offset: -40, Unit: "degC"}}},
	0x06: {Name: "short term fuel trim bank 1", Size: 1, Values: []Value{{Size: 1, Scale: trim, Offset: -100, Unit: "%"}}},
	0x07: {Name: "long term fuel trim bank 1", Size: 1, Values: []Value{{Size: 1, Scale: trim, Offset: -100, Unit: "%"}}},
	0x08: {Name: "short term fuel trim bank 2", Size: 1, Values: []Value{{Size: 1, Scale: trim, Offset: -100, Unit: "%"}}},
	0x09: {Name: "long term fuel trim bank 2", Size: 1, Values: []Value{{Size: 1, Scale: trim, Offset: -100, Unit: "%"}}},
	0x0A: {Name: "fuel pressure", Size: 1, Values: []Value{{Size: 1, Scale: 3, Unit: "kPa"}}},
	0x0B: {Name: "intake manifold pressure", Size: 1, Values: []Value{{Size: 1, Scale: 1, Unit: "kPa"}}},
	0x0C: {Name: "engine speed", Size: 2, Values: []Value{{Size: 2, Scale: 0.25, Unit: "rev/min"}}},
	0x0D: {Name: "vehicle speed", Size: 1, Values: []Value{{Size: 1, Scale: 1, Unit: "km/h"}}},
	0x0E: {Name: "ignition timing advance", Size: 1, Values: []Value{{Size: 1, Scale: 0.5, Offset: -64, Unit: "deg"}}},
	0x0F: {Name: "intake air temperature", Size: 1, Values: []Value{{Size: 1, Scale: 1, Offset: -40, Unit: "degC"}}},
	0x10: {Name: "air flow rate", Size: 2, Values: []Value{{Size: 2, Scale: 0.01, Unit: "g/s"}}},
	0x11: {Name: "throttle position", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x12: {Name: "secondary air", Size: 1, States: []string{1: "upstream of the catalyst", 2: "downstream of the catalyst inlet", 4: "off", 8: "pump on for a test"}},
	0x13: {Name: "oxygen sensor locations", Size: 1},
	0x14: {Name: "oxygen sensor bank 1 sensor 1", Size: 2, Values: narrow},
	0x15: {Name: "oxygen sensor bank 1 sensor 2", Size: 2, Values: narrow},
	0x16: {Name: "oxygen sensor bank 1 sensor 3", Size: 2, Values: narrow},
	0x17: {Name: "oxygen sensor bank 1 sensor 4", Size: 2, Values: narrow},
	0x18: {Name: "oxygen sensor bank 2 sensor 1", Size: 2, Values: narrow},
	0x19: {Name: "oxygen sensor bank 2 sensor 2", Size: 2, Values: narrow},
	0x1A: {Name: "oxygen sensor bank 2 sensor 3", Size: 2, Values: narrow},
	0x1B: {Name: "oxygen sensor bank 2 sensor 4", Size: 2, Values: narrow},
	0x1C: {Name: "OBD requirements", Size: 1, States: []string{1: "OBD II", 2: "federal OBD", 3: "OBD and OBD II", 4: "OBD I", 5: "none", 6: "EOBD", 7: "EOBD and OBD II", 9: "EOBD, OBD and OBD II", 10: "JOBD"}},
	0x1D: {Name: "oxygen sensor locations", Size: 1},
	0x1E: {Name: "power take-off", Size: 1},
	0x1F: {Name: "time since engine start", Size: 2, Values: []Value{{Size: 2, Scale: 1, Unit: "s"}}},
	0x20: {Name: "supported 21-40", Size: 4},
	0x21: {Name: "distance with lamp on", Size: 2, Values: []Value{{Size: 2, Scale: 1, Unit: "km"}}},
	0x22: {Name: "fuel rail pressure above manifold", Size: 2, Values: []Value{{Size: 2, Scale: 0.079, Unit: "kPa"}}},
	0x23: {Name: "fuel rail pressure", Size: 2, Values: []Value{{Size: 2, Scale: 10, Unit: "kPa"}}},
	0x24: {Name: "oxygen sensor bank 1 sensor 1", Size: 4, Values: wideVolts},
	0x25: {Name: "oxygen sensor bank 1 sensor 2", Size: 4, Values: wideVolts},
	0x26: {Name: "oxygen sensor bank 1 sensor 3", Size: 4, Values: wideVolts},
	0x27: {Name: "oxygen sensor bank 1 sensor 4", Size: 4, Values: wideVolts},
	0x28: {Name: "oxygen sensor bank 2 sensor 1", Size: 4, Values: wideVolts},
	0x29: {Name: "oxygen sensor bank 2 sensor 2", Size: 4, Values: wideVolts},
	0x2A: {Name: "oxygen sensor bank 2 sensor 3", Size: 4, Values: wideVolts},
	0x2B: {Name: "oxygen sensor bank 2 sensor 4", Size: 4, Values: wideVolts},
	0x2C: {Name: "commanded exhaust gas recirculation", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x2D: {Name: "exhaust gas recirculation error", Size: 1, Values: []Value{{Size: 1, Scale: trim, Offset: -100, Unit: "%"}}},
	0x2E: {Name: "commanded purge", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x2F: {Name: "fuel level", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x30: {Name: "warm-ups since clearing", Size: 1, Values: []Value{{Size: 1, Scale: 1}}},
	0x31: {Name: "distance since clearing", Size: 2, Values: []Value{{Size: 2, Scale: 1, Unit: "km"}}},
	0x32: {Name: "evaporative system pressure", Size: 2, Values: []Value{{Size: 2, Signed: true, Scale: 0.25, Unit: "Pa"}}},
	0x33: {Name: "barometric pressure", Size: 1, Values: []Value{{Size: 1, Scale: 1, Unit: "kPa"}}},
	0x34: {Name: "oxygen sensor bank 1 sensor 1", Size: 4, Values: wideAmps},
	0x35: {Name: "oxygen sensor bank 1 sensor 2", Size: 4, Values: wideAmps},
	0x36: {Name: "oxygen sensor bank 1 sensor 3", Size: 4, Values: wideAmps},
	0x37: {Name: "oxygen sensor bank 1 sensor 4", Size: 4, Values: wideAmps},
	0x38: {Name: "oxygen sensor bank 2 sensor 1", Size: 4, Values: wideAmps},
	0x39: {Name: "oxygen sensor bank 2 sensor 2", Size: 4, Values: wideAmps},
	0x3A: {Name: "oxygen sensor bank 2 sensor 3", Size: 4, Values: wideAmps},
	0x3B: {Name: "oxygen sensor bank 2 sensor 4", Size: 4, Values: wideAmps},
	0x3C: {Name: "catalyst temperature bank 1 sensor 1", Size: 2, Values: []Value{{Size: 2, Scale: 0.1, Offset: -40, Unit: "degC"}}},
	0x3D: {Name: "catalyst temperature bank 2 sensor 1", Size: 2, Values: []Value{{Size: 2, Scale: 0.1, Offset: -40, Unit: "degC"}}},
	0x3E: {Name: "catalyst temperature bank 1 sensor 2", Size: 2, Values: []Value{{Size: 2, Scale: 0.1, Offset: -40, Unit: "degC"}}},
	0x3F: {Name: "catalyst temperature bank 2 sensor 2", Size: 2, Values: []Value{{Size: 2, Scale: 0.1, Offset: -40, Unit: "degC"}}},
	0x40: {Name: "supported 41-60", Size: 4},
	0x41: {Name: "monitor status this driving cycle", Size: 4},
	0x42: {Name: "control module voltage", Size: 2, Values: []Value{{Size: 2, Scale: 0.001, Unit: "V"}}},
	0x43: {Name: "absolute load", Size: 2, Values: []Value{{Size: 2, Scale: percent, Unit: "%"}}},
	0x44: {Name: "commanded equivalence ratio", Size: 2, Values: []Value{{Size: 2, Scale: ratio}}},
	0x45: {Name: "relative throttle position", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x46: {Name: "ambient air temperature", Size: 1, Values: []Value{{Size: 1, Scale: 1, Offset: -40, Unit: "degC"}}},
	0x47: {Name: "absolute throttle position B", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x48: {Name: "absolute throttle position C", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x49: {Name: "accelerator pedal position D", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x4A: {Name: "accelerator pedal position E", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x4B: {Name: "accelerator pedal position F", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x4C: {Name: "commanded throttle", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x4D: {Name: "time with lamp on", Size: 2, Values: []Value{{Size: 2, Scale: 1, Unit: "min"}}},
	0x4E: {Name: "time since clearing", Size: 2, Values: []Value{{Size: 2, Scale: 1, Unit: "min"}}},
	0x4F: {Name: "maxima of ratio, sensor voltage and current, manifold pressure", Size: 4, Values: []Value{{Size: 1, Scale: 1}, {At: 1, Size: 1, Scale: 1, Unit: "V"}, {At: 2, Size: 1, Scale: 1, Unit: "mA"}, {At: 3, Size: 1, Scale: 10, Unit: "kPa"}}},
	0x50: {Name: "maximum air flow rate", Size: 4, Values: []Value{{Size: 1, Scale: 10, Unit: "g/s"}}},
	0x51: {Name: "fuel type", Size: 1, States: []string{1: "petrol", 2: "methanol", 3: "ethanol", 4: "diesel", 5: "LPG", 6: "CNG", 7: "propane", 8: "electric"}},
	0x52: {Name: "ethanol share", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x59: {Name: "absolute fuel rail pressure", Size: 2, Values: []Value{{Size: 2, Scale: 10, Unit: "kPa"}}},
	0x5A: {Name: "relative accelerator pedal position", Size: 1, Values: []Value{{Size: 1, Scale: percent, Unit: "%"}}},
	0x5C: {Name: "engine oil temperature", Size: 1, Values: []Value{{Size: 1, Scale: 1, Offset: -40, Unit: "degC"}}},
	0x5E: {Name: "engine fuel rate", Size: 2, Values: []Value{{Size: 2, Scale: 0.05, Unit: "l/h"}}},
	0x60: {Name: "supported 61-80", Size: 4},
	0x61: {Name: "demanded torque", Size: 1, Values: []Value{{Size: 1, Scale: 1, Offset: -125, Unit: "%"}}},
	0x62: {Name: "actual torque", Size: 1, Values: []Value{{Size: 1, Scale: 1, Offset: -125, Unit: "%"}}},
	0x63: {Name: "reference torque", Size: 2, Values: []Value{{Size: 2, Scale: 1, Unit: "N m"}}},
	0x80: {Name: "supported 81-A0", Size: 4},
	0xA0: {Name: "supported A1-C0", Size: 4},
	0xC0: {Name: "supported C1-E0", Size: 4},
	0xE0: {Name: "supported E1-100", Size: 4},
}
