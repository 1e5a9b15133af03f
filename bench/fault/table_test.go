package fault_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/fault"
)

const tableFile = "CATALOGUE.md"

// ofTheCar reports whether a fault has causes and symptoms at a car; the others alter frames
// and answers as one likes.
func ofTheCar(e *fault.Entry) bool { return !e.OnBus() || e.Symptom != nil }

// The table of the catalogue in the docs is the one of the data. With -update it is
// written anew.
func TestTheTableIsCurrent(t *testing.T) {
	want := table()
	if *fault.Update {
		require.NoError(t, os.WriteFile(tableFile, []byte(want), 0o644))
	}
	got, err := os.ReadFile(tableFile)
	require.NoError(t, err)
	assert.Equal(t, want, string(got), "go test ./bench/fault -run TableIsCurrent -update")
}

// The catalogue has the groups and the size that a workshop needs, and cautions
// wherever somebody could be hurt.
func TestTheCatalogueIsComplete(t *testing.T) {
	groups := map[string]int{}
	n := 0
	for _, e := range fault.Catalogue() {
		if ofTheCar(e) {
			groups[e.Group]++
			n++
		}
	}
	assert.GreaterOrEqual(t, n, 90)
	for _, g := range []string{"air", "fuel", "ignition and crank", "starting and charging", "cooling", "emissions",
		"driver's controls and clutch", "body and immobiliser", "ECU memory and learned values", "network", "wiring and supply"} {
		assert.NotZero(t, groups[g], g)
	}
	for _, g := range []string{"fuel", "starting and charging"} {
		for _, e := range fault.Catalogue() {
			if e.Group == g {
				assert.NotEmpty(t, e.Cautions, e.ID)
			}
		}
	}
}

// table is the catalogue of the car's faults: cause, codes, symptom.
func table() string {
	var b strings.Builder
	b.WriteString("# The fault catalogue\n\nMade from the data files in `catalogue/` by `go test ./bench/fault -run TableIsCurrent -update`.\n" +
		"Codes in brackets come with a parameter; `{cylinder}` stands for its value. The symptom is what the\n" +
		"test of the catalogue measures in the drive named (see `drives.yaml`).\n")
	group := ""
	for _, e := range fault.Catalogue() {
		if !ofTheCar(e) {
			continue
		}
		if e.Group != group {
			group = e.Group
			fmt.Fprintf(&b, "\n## %s\n\n| fault | cause | codes | driver sees | measured | drive |\n|---|---|---|---|---|---|\n", group)
		}
		codes := slices.Clone(e.Codes)
		for _, m := range e.Also {
			codes = append(codes, "("+strings.Join(m.Codes, " ")+")")
		}
		if len(codes) == 0 {
			codes = []string{"none"}
		}
		symptom, drive := "its codes only", e.ShowsIn
		if e.Symptom != nil {
			symptom = e.Symptom.String()
		} else if len(e.Codes) == 0 && len(e.Also) == 0 {
			symptom = "nothing at the car"
		}
		if drive == "" {
			drive = "idle"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s |\n", e.ID, cell(e.Cause), strings.Join(codes, " "), cell(e.Driver), symptom, drive)
	}
	return b.String()
}

func cell(s string) string { return strings.ReplaceAll(strings.TrimSpace(s), "|", "/") }
