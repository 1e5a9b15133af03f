package run

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

// startBackground plays the recording behind the car.
func (r *Run) startBackground() error {
	b := r.scenario.Background
	if b == nil || r.plan.Background == nil {
		return nil
	}
	src, err := openBackground(r.plan.Background)
	if err != nil {
		return err
	}
	r.bench.OnClose("background recording", closeWithin, src.Close)
	opt := replay.Options{Speed: b.Speed, From: b.From, To: b.To}
	if b.Loop {
		opt.Loop = replay.Forever
	}
	if r.replay, err = r.bench.Play(src, opt); err != nil {
		return fmt.Errorf("background: %w", err)
	}
	return nil
}
