// Package networks holds the networks that come with the program, as .dbc files.
package networks

import "embed"

// FS holds the files by name.
//
//go:embed *.dbc
var FS embed.FS
