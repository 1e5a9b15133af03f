// Package captures holds the recordings that come with the program. Package
// canbus/capture/workshop makes them.
package captures

import "embed"

// FS holds the files by name.
//
//go:embed *.gz
var FS embed.FS
