package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"sawhorse/bench/run"
)

// claim reports why a run must not leave its files in a folder; nil if it may. A run
// takes the place of an earlier run of its own kind, known by its plan, and of nothing
// else: a recording that somebody put there stays.
func claim(folder, capture string) error {
	plan := filepath.Join(folder, run.PlanName)
	data, err := os.ReadFile(plan)
	if errors.Is(err, fs.ErrNotExist) {
		return untouched(folder, filesOf(capture))
	}
	if err != nil {
		return err
	}
	var earlier struct {
		Format  int    `json:"sawhorse_run"`
		Capture string `json:"capture"`
	}
	if err := json.Unmarshal(data, &earlier); err != nil || earlier.Format == 0 {
		return fmt.Errorf("%s: the file is there and is no plan of a run, want another folder or that file moved away", plan)
	}
	if earlier.Capture != capture {
		return fmt.Errorf("%s: the folder has the run of the recording %s, want another folder than that of %s", plan, earlier.Capture, capture)
	}
	return nil
}

// untouched finds files that no run has made.
func untouched(folder string, names []string) error {
	for _, name := range names {
		path := filepath.Join(folder, name)
		switch _, err := os.Lstat(path); {
		case err == nil:
			return fmt.Errorf("%s: %w, and no %s of a run beside it; want another folder or that file moved away", path, fs.ErrExist, run.PlanName)
		case !errors.Is(err, fs.ErrNotExist):
			return err
		}
	}
	return nil
}
