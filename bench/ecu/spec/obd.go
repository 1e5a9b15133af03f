package spec

import (
	"fmt"
	"strings"
)

// OBD is what the unit answers of SAE J1979.
type OBD struct {
	PIDs []PID `yaml:"pids"`
	// Absent are PIDs that the unit does not have, and why.
	Absent    []Absent   `yaml:"absent"`
	Infotypes []Infotype `yaml:"infotypes"`
	// FreezeFrame lists the PIDs of freeze frame 00, PID 02 aside.
	FreezeFrame []uint8 `yaml:"freeze_frame"`
	// Results are the tests of service 06.
	Results []Result `yaml:"results"`
	// Tests are those of service 08.
	Tests []Test `yaml:"tests"`
}

// PID is one parameter of services 01 and 02.
type PID struct {
	PID    uint8   `yaml:"pid"`
	Name   string  `yaml:"name"`
	Fields []Field `yaml:"fields"`
}

// Absent are PIDs that the unit does not have, and why.
type Absent struct {
	PIDs []uint8 `yaml:"pids"`
	Why  string  `yaml:"why"`
}

// Infotype is one infotype of service 09.
type Infotype struct {
	Type uint8  `yaml:"type"`
	Name string `yaml:"name"`
	// Items is the count byte (NODI) of the answer.
	Items  uint8   `yaml:"items"`
	Fields []Field `yaml:"fields"`
}

// Test is one test of service 08, and routine E0xx: it holds outputs.
type Test struct {
	TID   uint8       `yaml:"tid"`
	Name  string      `yaml:"name"`
	Needs []Condition `yaml:"needs"`
	Hold  []Condition `yaml:"hold"`
	Sets  []Set       `yaml:"sets"`
	Lasts Span        `yaml:"lasts"`
}

// AbsentPIDs tells the PIDs of SAE J1979 that the unit does not have, and why, one
// line a reason.
func (u *Unit) AbsentPIDs() []string {
	if u.OBD == nil {
		return nil
	}
	var lines []string
	for _, a := range u.OBD.Absent {
		var ids []string
		for _, pid := range a.PIDs {
			ids = append(ids, fmt.Sprintf("%02X", pid))
		}
		lines = append(lines, strings.Join(ids, " ")+": "+a.Why)
	}
	return lines
}
