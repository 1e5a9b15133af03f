// Package plan is the written form of a run: everything that it depends on,
// resolved before its first event. The file alone repeats the run, so the texts
// of the scenario and of the tool's profile stand in it, not just their names.
package plan

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"sawhorse/bench/format"
)

// Times of a run.
const (
	Virtual = "virtual"
	Wall    = "wall"
)

// Plan is one run, resolved.
type Plan struct {
	// Format is the layout's version; a file of another version is refused.
	Format int `json:"sawhorse_run"`
	// Program is the version of the program that wrote the plan.
	Program string `json:"program"`
	// Scenario is the scenario file, whole.
	Scenario Text `json:"scenario"`
	// Seed is the root of the run's chance.
	Seed uint64 `json:"seed"`
	// Time is Virtual or Wall.
	Time string `json:"time"`
	// Bus is the bus's URL and Rate its bit rate in bit/s.
	Bus  string `json:"bus"`
	Rate int    `json:"rate"`
	// Arm is of earlier plans, and refused: a file does not arm an interface.
	Arm string `json:"arm,omitempty"`
	// Tool is the tool's profile, whole; InBench says that the tool runs inside
	// the bench instead of as a process.
	Tool    Text `json:"tool"`
	InBench bool `json:"tool_in_bench"`
	// Background is the recording that plays behind the car, if any.
	Background *File `json:"background,omitempty"`
	// Params replace parameters of the scenario's faults.
	Params []Param `json:"params,omitempty"`
	// Strict has rules for every tool that should be kept fail the run, too.
	Strict bool `json:"strict_rules,omitempty"`
	// Networks are the .dbc files that faults read signals by.
	Networks []File `json:"networks,omitempty"`
	// Car is the folder of a car that is not built in.
	Car *CarFolder `json:"car,omitempty"`
	// Duration bounds the run.
	Duration Duration `json:"duration"`
	// Capture is where the run's frames go; relative to the plan's own folder.
	Capture string `json:"capture"`
}

// Param is the value of one parameter of a fault: a float64, a bool or a string,
// as the catalogue declares it.
type Param struct {
	Fault string `json:"fault"`
	Param string `json:"param"`
	Value any    `json:"value"`
}

// String writes it as on the command line: fault.param=value.
func (p Param) String() string { return fmt.Sprintf("%s.%s=%v", p.Fault, p.Param, p.Value) }

// Text is a file that stands in the plan as a whole.
type Text struct {
	Name string `json:"name"`
	// File is where it was read; "" for one that is built in.
	File string `json:"file,omitempty"`
	Text string `json:"text"`
}

// File is an input too large for the plan: its name and digest.
type File struct {
	Path   string `json:"path"`
	SHA256 string `json:"sha256"`
}

// CarFolder is a car outside the program: its name, where it lay, and its files there.
type CarFolder struct {
	Name   string `json:"name,omitempty"`
	Folder string `json:"folder"`
	Files  []File `json:"files"`
}

// Check reports whether the car in a folder is the one that was planned with: it may have
// moved, and even lie on another machine, but its files must be the same.
func (c *CarFolder) Check(folder string) error {
	for i := range c.Files {
		f := c.Files[i]
		f.Path = filepath.Join(folder, filepath.Base(f.Path))
		if err := f.Check(); err != nil {
			return err
		}
	}
	return nil
}

// Duration is a time.Duration written as Go writes it.
type Duration time.Duration

// MarshalText writes "1m30s".
func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

// UnmarshalText reads "1m30s".
func (d *Duration) UnmarshalText(b []byte) error {
	v, err := time.ParseDuration(string(b))
	*d = Duration(v)
	return err
}

// Validate reports what keeps a plan from being run.
func (p *Plan) Validate() error {
	if bad := format.Plan.Check(p.Format); bad != nil {
		return bad
	}
	switch {
	case p.Arm != "":
		return fmt.Errorf("arm is %q, and a plan arms no interface: take that line out, and give --arm %s on the command line that is to send", p.Arm, p.Arm)
	case p.Time != Virtual && p.Time != Wall:
		return fmt.Errorf("time is %q, want %q or %q", p.Time, Virtual, Wall)
	case p.Scenario.Text == "":
		return errors.New("scenario.text is empty, want the scenario's YAML")
	case p.Tool.Text == "":
		return errors.New("tool.text is empty, want the tool profile's YAML")
	case p.Duration <= 0:
		return fmt.Errorf("duration is %v, want more than 0", time.Duration(p.Duration))
	case p.Capture == "":
		return errors.New("capture is empty, want a file name")
	}
	return nil
}

// Write stores the plan under a path: beside first, then renamed, so that a
// reader never sees half of it.
func (p *Plan) Write(path string) (err error) {
	data, err := json.MarshalIndent(p, "", "  ")
	if err != nil {
		return err
	}
	return WriteWhole(path, append(data, '\n'))
}

// Read loads a plan. Errors name the file and, where it can be told, line and
// column.
func Read(path string) (*Plan, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	p, err := Parse(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("%s%s: %w", path, format.Place(data, err), err)
	}
	return p, nil
}

// Parse reads a plan strictly: an unknown key is an error, and so is a version that is
// not known, whatever else is in the file.
func Parse(r io.Reader) (*Plan, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, err
	}
	if err := format.Plan.CheckJSON(data); err != nil {
		return nil, err
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	p := new(Plan)
	if err := dec.Decode(p); err != nil {
		return nil, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("more text after the plan, want the end of the file")
	}
	return p, p.Validate()
}

// Digest returns the file's name and SHA-256.
func Digest(path string) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &File{Path: path, SHA256: hex.EncodeToString(h.Sum(nil))}, nil
}

// Check reports whether the file is still the one that was planned with.
func (f *File) Check() error {
	now, err := Digest(f.Path)
	if err != nil {
		return err
	}
	if now.SHA256 != f.SHA256 {
		return fmt.Errorf("%s: the file has changed since the run was planned: SHA-256 %s, want %s", f.Path, now.SHA256, f.SHA256)
	}
	return nil
}

// WriteWhole writes a file beside its place and renames it there, so that it
// appears whole or not at all.
func WriteWhole(path string, data []byte) (err error) {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	tmp, err := os.CreateTemp(dir, "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = tmp.Close()
			_ = os.Remove(tmp.Name())
		}
	}()
	if err := tmp.Chmod(0o644); err != nil {
		return err
	}
	if _, err := tmp.Write(data); err != nil {
		return err
	}
	if err := tmp.Close(); err != nil {
		return err
	}
	return os.Rename(tmp.Name(), path)
}
