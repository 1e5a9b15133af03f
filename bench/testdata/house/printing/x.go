// Package printing breaks a rule of the house on purpose.
package printing

import f "fmt"

// Say prints.
func Say() string {
	f.Println("no") // broken
	return f.Sprint("yes")
}
