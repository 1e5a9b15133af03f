package spec

// Routine is one routine of service 31.
type Routine struct {
	Name string `yaml:"routine"`
	RID  uint16 `yaml:"rid"`
	// Does is what the routine does itself: erase a region (its request names it as
	// that of service 34 does) or verify what was programmed. Fails is the reason
	// when the checksum is wrong.
	Does     string   `yaml:"does"`
	Fails    uint8    `yaml:"fails"`
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
	// Needs must hold at the start, the first that fails gives its NRC.
	Needs []Condition `yaml:"needs"`
	// Hold must hold until the end, unless a step has its own.
	Hold  []Condition `yaml:"hold"`
	Steps []Step      `yaml:"steps"`
	// Learns are stored when the last step is done.
	Learns []Learn `yaml:"learns"`
}

// Step is one step of a routine: it lasts for a time, or until conditions
// hold at once.
type Step struct {
	Step  string      `yaml:"step"`
	Takes Span        `yaml:"takes"`
	Until []Condition `yaml:"until"`
	// Within bounds a step with Until.
	Within Span `yaml:"within"`
	// Hold replaces the routine's; an empty list means none.
	Hold *[]Condition `yaml:"hold"`
	// Sessionless lets the step go on without the routine's session.
	Sessionless bool `yaml:"sessionless"`
	// Lasting lets the step go on after a loss of power, from its beginning.
	Lasting bool `yaml:"lasting"`
	// Sets are outputs held while the step lasts.
	Sets []Set `yaml:"sets"`
}

// Learn says what a routine stores: a reading taken over its steps.
type Learn struct {
	Value string `yaml:"value"`
	From  string `yaml:"from"`
	// Over is last, mean, highest or lowest.
	Over string  `yaml:"over"`
	Plus float64 `yaml:"plus"`
	// Onto adds to what was learned before.
	Onto bool `yaml:"onto"`
	// During names the step that is sampled; none means all.
	During string `yaml:"during"`
	// Between bounds a sound result; outside the routine fails with Reason.
	AtLeast *float64 `yaml:"at_least"`
	AtMost  *float64 `yaml:"at_most"`
	Reason  uint8    `yaml:"reason"`
}
