package spec

// Result is one test of service 06: what the monitor of a code measured last, and the
// limits it was held against.
type Result struct {
	MID  uint8  `yaml:"mid"`
	TID  uint8  `yaml:"tid"`
	Name string `yaml:"name"`
	// UAS is the unit and scaling of SAE J1979 appendix E.
	UAS uint8 `yaml:"uas"`
	// Code is the code whose monitor measures it.
	Code string `yaml:"code"`
	// Signal is the reading measured; And is added to it.
	Signal string `yaml:"signal"`
	And    string `yaml:"and"`
	// Over is last, mean, highest or lowest of the samples of the cycle. Counted is the
	// last too, but known before the monitor has finished; ewma is the exponentially
	// weighted mean over the driving cycles, a tenth of it the last one's.
	Over string `yaml:"over"`
	// Const is a constant of the monitor in place of a reading: value and both limits.
	Const   *float64 `yaml:"const"`
	AtLeast *float64 `yaml:"at_least"`
	AtMost  *float64 `yaml:"at_most"`
}

// Ways to take a reading over the steps of a routine or the samples of a monitor, and
// two that only results have.
const (
	OverLast    = "last"
	OverMean    = "mean"
	OverHighest = "highest"
	OverLowest  = "lowest"
	OverCounted = "counted"
	OverEWMA    = "ewma"
)

// overs are the ways that routines have.
var overs = []string{OverLast, OverMean, OverHighest, OverLowest}
