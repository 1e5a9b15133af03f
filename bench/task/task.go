package task

import "slices"

// Task is one thing that a scenario can ask of a tool.
type Task struct {
	// Name is what scenarios and profiles call it.
	Name string
	// Says is one sentence about it, for people.
	Says string
	// Argument is what it is done to; nil for a task without one.
	Argument *Argument
	// Tells are the fields that one looks for in what a tool shows of it.
	Tells Fields
}

// Argument is the one argument of a task; a scenario has to give it.
type Argument struct {
	Name string
	// Words are its values. Without any it is a vehicle's number of 17 characters, or
	// the word car for that of the car on the bench.
	Words []string
}

// tasks are in the order in which people meet them.
var tasks = []Task{
	{Name: "identify", Says: "Read the identity of the car and of its control units.", Tells: VIN | ECUs | Calibrations},
	{Name: "health-check", Says: "Read all that the tool can read, and change nothing.", Tells: VIN | ECUs | Stored | Pending | Permanent | Freeze | Lamp | Count | Readiness | Calibrations | Live},
	{Name: "read-codes", Says: "Read stored, pending and permanent codes, readiness and freeze frames.", Tells: Stored | Pending | Permanent | Freeze | Lamp},
	{Name: "read-live", Says: "Read live data.", Tells: Live},
	{Name: "read-freeze-frame", Says: "Read what was stored when a code came: the code and the values of that moment.", Tells: Freeze},
	{Name: "clear-codes", Says: "Read the codes, clear them, read again.", Tells: Stored | Pending | Permanent | Lamp},
	{Name: "drive-output", Says: "Drive an actuator for a moment and give it back.", Tells: Output, Argument: &Argument{
		Name: "output", Words: []string{
			"fan", "fuel-pump", "purge", "vent", "throttle", "lamp", "alternator", "injector-1", "injector-2",
			"injector-3", "injector-4", "injector-5", "injector-6", "injector-7", "injector-8",
		},
	}},
	{Name: "learn", Says: "Let a control unit learn a position or a variation.", Tells: Learn, Argument: &Argument{
		Name: "position", Words: []string{
			"clutch", "crank-variation", "throttle-rest", "idle-air", "exchange", "key", "steering-zero", "battery", "shift-adaptation",
		},
	}},
	{Name: "write-identity", Says: "Write the vehicle's number and read it back.", Tells: VIN, Argument: &Argument{Name: "vin"}},
}

// All lists the tasks.
func All() []Task { return slices.Clone(tasks) }

// Names lists their names, in the order of the alphabet.
func Names() []string {
	var names []string
	for i := range tasks {
		names = append(names, tasks[i].Name)
	}
	slices.Sort(names)
	return names
}

// Find finds a task by its name.
func Find(name string) (Task, bool) {
	i := slices.IndexFunc(tasks, func(t Task) bool { return t.Name == name })
	if i < 0 {
		return Task{}, false
	}
	return tasks[i], true
}

// Takes reports whether the task has an argument of that name.
func (t *Task) Takes(argument string) bool { return t.Argument != nil && t.Argument.Name == argument }

// Arguments lists the arguments of all tasks, in the order of the tasks.
func Arguments() []Argument {
	var list []Argument
	for i := range tasks {
		if a := tasks[i].Argument; a != nil {
			list = append(list, *a)
		}
	}
	return list
}

// FindArgument finds an argument by its name.
func FindArgument(name string) (Argument, bool) {
	for _, a := range Arguments() {
		if a.Name == name {
			return a, true
		}
	}
	return Argument{}, false
}
