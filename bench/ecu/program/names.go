package program

// Names are what a program has, by which the file of its unit may speak of it.
type Names struct {
	// Readings are what it knows of the car, Heard the values that it takes from the
	// messages of its Partners: the units whose silence it notices.
	Readings, Heard, Partners []string
	// Outputs are what a tool may command, Memory the values that it keeps without
	// supply.
	Outputs, Memory []string
}
