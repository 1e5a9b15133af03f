// Package layers breaks a rule of the house on purpose: its files call each other in a
// circle.
package layers

// A calls the middle, and the lowest twice.
func A() int { return b(1) + c() + c() }

func top() int { return 1 }
