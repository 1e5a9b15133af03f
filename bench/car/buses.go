package car

import (
	"fmt"
	"io/fs"
	"path"

	"sawhorse/bench/car/strict"
	"sawhorse/dbc"
)

// Bit rates that controllers reach (ISO 11898-1:2015, ISO 11898-2:2016).
const (
	leastBitRate = 10_000
	mostBitRate  = 1_000_000
	mostDataRate = 8_000_000
)

// readNetworks checks the buses and reads their .dbc files.
func (s *Spec) readNetworks(d *strict.Doc, dir string) error {
	if len(s.Buses) == 0 {
		return d.Errorf("$.buses", "missing, want at least one bus of the car")
	}
	for i := range s.Buses {
		p, b := fmt.Sprintf("$.buses[%d]", i), &s.Buses[i]
		if b.Name == "" {
			return d.Errorf(p+".bus", "missing, want the bus's name")
		}
		for k := range s.Buses[:i] {
			if s.Buses[k].Name == b.Name {
				return d.Errorf(p+".bus", "%q is there already, want another name", b.Name)
			}
		}
		if b.BitRate < leastBitRate || b.BitRate > mostBitRate {
			return d.Errorf(p+".bit_rate", "%d, want %d..%d bit/s", b.BitRate, leastBitRate, mostBitRate)
		}
		if b.DataBitRate != 0 && (b.DataBitRate < b.BitRate || b.DataBitRate > mostDataRate) {
			return d.Errorf(p+".data_bit_rate", "%d, want %d..%d bit/s, or none for classical CAN", b.DataBitRate, b.BitRate, mostDataRate)
		}
		if b.File == "" {
			continue
		}
		data, err := fs.ReadFile(s.Dir, b.File)
		if err != nil {
			return d.Errorf(p+".network", "%v", err)
		}
		if b.network, err = dbc.Parse(path.Join(dir, b.File), data); err != nil {
			return err
		}
		for _, m := range b.network.Messages {
			if m.FD && b.DataBitRate == 0 {
				return &strict.Error{File: b.network.File, Line: m.At.Line, Column: m.At.Column,
					Problem: fmt.Sprintf("message %s is CAN FD, and the bus %s is not", m.Name, b.Name)}
			}
		}
	}
	return nil
}
