package strict

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const walked = `dids:
  - {did: 0x0100, fields: [{signal: a}, {signal: "b", bytes: 2}]}
  - did: 7E2
    name: plain
one: [1, [2, 3], {x: ~, y: 4}]
`

// Each value is met once, in the order of the file, with the keys on its way, and its path
// leads back to it.
func TestEachValueOfADocument(t *testing.T) {
	var into map[string]any
	d, err := Read("x.yaml", []byte(walked), &into)
	require.NoError(t, err)
	var got []string
	require.NoError(t, d.Each(func(s *Scalar) error {
		path := d.tree.path(s.at)
		assert.Equal(t, s.at, d.tree.find(path), path)
		got = append(got, fmt.Sprintf("%s %v %s %t", path, s.Keys, s.Text, s.Quoted))
		return nil
	}))
	assert.Equal(t, []string{
		"$.dids[0].did [dids did] 0x0100 false",
		"$.dids[0].fields[0].signal [dids fields signal] a false",
		"$.dids[0].fields[1].signal [dids fields signal] b true",
		"$.dids[0].fields[1].bytes [dids fields bytes] 2 false",
		"$.dids[1].did [dids did] 7E2 false",
		"$.dids[1].name [dids name] plain false",
		"$.one[0] [one] 1 false",
		"$.one[1][0] [one] 2 false",
		"$.one[1][1] [one] 3 false",
		"$.one[2].y [one y] 4 false",
	}, got)
	err = d.Each(func(s *Scalar) error {
		if s.Within("fields", "signal") {
			return d.Name(s, "reading", []string{"b", "aa"})
		}
		return nil
	})
	assert.EqualError(t, err, `x.yaml:2:37: dids[0].fields[0].signal: "a" is no reading, want one of aa, b`)
}

// A number that people say in hexadecimal has 0x in front or one digit: to YAML 7E2 is 700
// (YAML 1.2.2, 10.3.2) and 712 is seven hundred and twelve.
func TestHexadecimalNumbers(t *testing.T) {
	for text, want := range map[string]string{
		"0x7E2": "", "0X7e2": "", "0x0": "", "7": "", "~": "", "[0x10, 0x1F]": "",
		"7E2":        "x.yaml:1:5: id: 7E2 can be read in two ways, want it with 0x in front: 0x7E2",
		"712":        "x.yaml:1:5: id: 712 can be read in two ways, want it with 0x in front: 0x712",
		"0o17":       `x.yaml:1:5: id: "0o17" is no number, want hexadecimal digits as in 0x7E2`,
		"-0x7":       `x.yaml:1:5: id: "-0x7" is no number, want hexadecimal digits as in 0x7E2`,
		"7.0":        `x.yaml:1:5: id: "7.0" is no number, want hexadecimal digits as in 0x7E2`,
		`"0x7E2"`:    `x.yaml:1:5: id: "0x7E2" in quotes, want a number as in 0x7E2`,
		"[0x10, 11]": "x.yaml:1:12: id[1]: 11 can be read in two ways, want it with 0x in front: 0x11",
	} {
		var into map[string]any
		d, err := Read("x.yaml", []byte("id: "+text+"\n"), &into)
		require.NoError(t, err, text)
		if err := d.Hex("id"); want == "" {
			assert.NoError(t, err, text)
		} else {
			assert.EqualError(t, err, want, text)
		}
		assert.NoError(t, d.Hex("other"), text)
	}
}
