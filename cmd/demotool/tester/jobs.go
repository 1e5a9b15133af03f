package tester

import (
	"fmt"
	"slices"
	"strings"
)

// Job is one task of the tool: a sub-command, and how it is done.
type Job struct {
	// Task is its name, Short one line about it.
	Task, Short string
	// Argument is the name of what it is done to, as "position"; "" for none. Words are
	// those that it takes; without any it is a vehicle's number.
	Argument string
	Words    []string

	// steps are those of a task that only reads, else run does it.
	steps func(t *Tester) []step
	run   func(t *Tester)
}

// Jobs lists them in the order in which people meet them.
func Jobs() []Job {
	return []Job{
		{Task: "identify", Short: "Read VIN, calibrations and names", steps: func(t *Tester) []step { return []step{t.identify} }},
		{Task: "health-check", Short: "Read everything", steps: (*Tester).check},
		{Task: "read-codes", Short: "Read trouble codes, readiness and freeze frames",
			steps: func(t *Tester) []step { return []step{t.readiness, t.codes, t.freezeFrames} }},
		{Task: "read-live", Short: "Read live data", steps: func(t *Tester) []step { return []step{t.pids, t.live} }},
		{Task: "read-freeze-frame", Short: "Read the code and the values that were stored when it came",
			steps: func(t *Tester) []step { return []step{t.freezeFrames} }},
		{Task: "clear-codes", Short: "Read, clear and read again; not with the engine running", run: (*Tester).clear},
		{Task: "drive-output", Short: "Drive an actuator for a moment and give it back: " + strings.Join(Outputs, ", "),
			Argument: "output", Words: Outputs, run: (*Tester).driveOutput},
		{Task: "learn", Short: "Let a control unit learn a position: " + strings.Join(Positions, ", "),
			Argument: "position", Words: Positions, run: (*Tester).learn},
		{Task: "write-identity", Short: "Write the vehicle's number into the engine control unit and read it back",
			Argument: "vin", run: (*Tester).writeIdentity},
	}
}

// Tasks are the names of the jobs.
func Tasks() []string {
	var names []string
	for _, j := range Jobs() {
		names = append(names, j.Task)
	}
	return names
}

// jobOf finds a job by its task.
func jobOf(task string) (Job, error) {
	jobs := Jobs()
	i := slices.IndexFunc(jobs, func(j Job) bool { return j.Task == task })
	if i < 0 {
		return Job{}, fmt.Errorf("%w: task %q, expected one of %v", ErrUsage, task, Tasks())
	}
	return jobs[i], nil
}

// check wants the argument of the job and no other.
func (j *Job) check(args map[string]string) error {
	for _, name := range arguments() {
		value := args[name]
		switch {
		case name != j.Argument && value != "":
			return fmt.Errorf("%w: task %s takes no %s, got %q", ErrUsage, j.Task, name, value)
		case name != j.Argument:
		case j.Words == nil:
			if err := checkVIN(value); err != nil {
				return fmt.Errorf("%w: %w", ErrUsage, err)
			}
		case !slices.Contains(j.Words, value):
			return fmt.Errorf("%w: %s %q, expected one of %v", ErrUsage, name, value, j.Words)
		}
	}
	return nil
}

// arguments are the names of those of all jobs.
func arguments() []string {
	var names []string
	for _, j := range Jobs() {
		if j.Argument != "" {
			names = append(names, j.Argument)
		}
	}
	return names
}

// perform does the task itself.
func (t *Tester) perform() {
	if t.job.run != nil {
		t.job.run(t)
		return
	}
	sequence(t.job.steps(t), func() {
		if why := t.unanswered(); why != "" {
			t.stop(StatusPartly, "not all is known: "+why)
			return
		}
		if t.steady() && len(t.refused) > 0 {
			t.stop(StatusRefused, "done, but refused: "+strings.Join(t.refused, ", "))
			return
		}
		t.stop(StatusDone, "done")
	})
}
