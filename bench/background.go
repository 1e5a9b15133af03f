package bench

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"sawhorse/bench/plan"
	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/replay"
	"sawhorse/scenarios"
	"sawhorse/testdata/captures"
)

// builtInPrefix marks a recording that is part of the program.
const builtInPrefix = "built-in:"

// findBackground resolves a scenario's recording: beside the scenario's file,
// then in the folders, then among those built in; then the same for the one to
// take otherwise.
func findBackground(b *scenarios.Background, scenarioFile string, folders []string) (*plan.File, error) {
	if b == nil {
		return nil, nil
	}
	if scenarioFile != "" {
		folders = append([]string{filepath.Dir(scenarioFile)}, folders...)
	}
	var tried []string
	for _, name := range []string{b.Capture, b.Otherwise} {
		if name == "" {
			continue
		}
		for _, dir := range folders {
			path := name
			if !filepath.IsAbs(name) {
				path = filepath.Join(dir, name)
			}
			f, err := plan.Digest(path)
			if err == nil {
				return f, nil
			}
			if !errors.Is(err, fs.ErrNotExist) {
				return nil, err
			}
			tried = append(tried, path)
		}
		if data, err := fs.ReadFile(captures.FS, name); err == nil {
			h := sha256.Sum256(data)
			return &plan.File{Path: builtInPrefix + name, SHA256: hex.EncodeToString(h[:])}, nil
		}
		tried = append(tried, builtInPrefix+name)
	}
	return nil, fmt.Errorf("background recording not found; tried %s", strings.Join(tried, ", "))
}

// openBackground opens what findBackground found, or says that it has changed.
func openBackground(f *plan.File) (*capture.Reader, error) {
	name, ok := strings.CutPrefix(f.Path, builtInPrefix)
	if !ok {
		if err := f.Check(); err != nil {
			return nil, err
		}
		return capture.Open(f.Path)
	}
	data, err := fs.ReadFile(captures.FS, name)
	if err != nil {
		return nil, fmt.Errorf("background %s: %w", f.Path, os.ErrNotExist)
	}
	if h := sha256.Sum256(data); hex.EncodeToString(h[:]) != f.SHA256 {
		return nil, fmt.Errorf("background %s: the built-in recording differs from the planned one (SHA-256 %s)", f.Path, f.SHA256)
	}
	return capture.NewReader(bytes.NewReader(data), name)
}

// startBackground plays the recording behind the car. The identifiers that the
// stand-in car answers itself are left out.
func (r *Run) startBackground() error {
	b := r.scenario.Background
	if b == nil || r.plan.Background == nil {
		return nil
	}
	src, err := openBackground(r.plan.Background)
	if err != nil {
		return err
	}
	r.rig.defend(src.Close)
	opt := replay.Options{Speed: b.Speed, From: b.From, To: b.To, Late: r.rig.Metrics.Lateness, Skip: r.ownIdentifiers()}
	if b.Loop {
		opt.Loop = replay.Forever
	}
	r.replay, err = replay.New(r.rig.Loop, []canbus.Bus{r.rig.Bus}, src, opt)
	if err != nil {
		return fmt.Errorf("background: %w", err)
	}
	r.replay.Start(0)
	return nil
}

// ownIdentifiers are those that the stand-in car sends itself, and those it is asked on.
func (r *Run) ownIdentifiers() []replay.Match {
	var ms []replay.Match
	for key := range r.rig.watch.requests {
		ms = append(ms, replay.ID(key))
	}
	for key := range r.rig.watch.answers {
		ms = append(ms, replay.ID(key))
	}
	for _, u := range r.rig.units {
		for _, key := range u.module.Sends() {
			ms = append(ms, replay.ID(key))
		}
	}
	for _, key := range r.rig.functional() {
		ms = append(ms, replay.ID(key))
	}
	return ms
}
