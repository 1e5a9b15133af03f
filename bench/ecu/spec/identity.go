package spec

import (
	"fmt"

	"sawhorse/bench/car"
)

// IdentityOf is what the data of a car say of one of its units, in the names of
// NV: vin, ecu_name (four characters, a dash, fifteen, as infotype 0A wants
// it), calibration_id_1.. and cvn_1.. as eight hex digits.
func (u *Unit) IdentityOf(id *car.Identity) map[string]string {
	texts := map[string]string{"vin": id.VIN}
	for i := range id.ECUs {
		x := &id.ECUs[i]
		if x.Name != u.Name {
			continue
		}
		texts["ecu_name"] = ecuName(x.Title)
		for k, c := range x.Calibrations {
			texts[fmt.Sprintf("calibration_id_%d", k+1)] = c.ID
			texts[fmt.Sprintf("cvn_%d", k+1)] = fmt.Sprintf("%08X", c.CVN)
		}
	}
	return texts
}

// ecuName pads the acronym before the dash to its four characters (SAE J1979
// infotype 0A).
func ecuName(title string) string {
	for i := 0; i < min(len(title), 5); i++ {
		if title[i] == '-' {
			return title[:i] + "\x00\x00\x00\x00"[:4-i] + title[i:]
		}
	}
	return title
}
