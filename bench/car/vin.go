package car

import (
	"fmt"
	"strings"
)

// vinWeights and vinValues are the weights of the 17 places and the values of
// the characters in 49 CFR 565.15(c), tables III to V. I, O and Q never occur.
var vinWeights = [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

const (
	vinLetters = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
	vinValues  = "012345678912345678123457923456789"
)

// checkVIN says why a VIN is not one: length, characters, check digit.
func checkVIN(vin string) error {
	if len(vin) != 17 {
		return fmt.Errorf("%q has %d characters, want 17", vin, len(vin))
	}
	sum := 0
	for i := range 17 {
		v := strings.IndexByte(vinLetters, vin[i])
		if v < 0 {
			return fmt.Errorf("character %q in place %d of %q, want 0..9 or A..Z without I, O, Q", vin[i], i+1, vin)
		}
		sum += vinWeights[i] * int(vinValues[v]-'0')
	}
	want := "0123456789X"[sum%11]
	if vin[8] != want {
		return fmt.Errorf("check digit %q in %q, want %q", vin[8], vin, want)
	}
	return nil
}
