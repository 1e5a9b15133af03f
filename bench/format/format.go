// Package format is the versions of the files that people write: scenarios, tool
// profiles, cars, plans and baselines. A file says its version with one key, and one
// that says none has version 1, so that what was written before there were versions
// goes on to load. A loader asks this package before it looks at anything else: a file
// of a newer version holds keys that it cannot know, and told is what to do instead.
package format

import (
	"fmt"
	"strconv"

	"github.com/goccy/go-yaml/ast"
)

// Kind is one kind of file.
type Kind struct {
	// Name is what people call it, Key the key of its version.
	Name, Key string
	// Newest is the highest version that this program reads.
	Newest int
	// Else is what to do with a newer file, where there is no newer program.
	Else string
}

// The kinds of files.
var (
	Scenario = Kind{Name: "scenario", Key: "format", Newest: 1, Else: "write it as sawhorse schema scenario shows"}
	Faults   = Kind{Name: "list of faults", Key: "format", Newest: 1, Else: "write it as sawhorse schema scenario shows"}
	Profile  = Kind{Name: "tool profile", Key: "format", Newest: 1, Else: "write it as sawhorse schema tool-profile shows"}
	Car      = Kind{Name: "car", Key: "format", Newest: 1, Else: "write it as the built-in cars are written"}
	Plan     = Kind{Name: "plan", Key: "sawhorse_run", Newest: 1, Else: "run its scenario anew"}
	Baseline = Kind{Name: "baseline", Key: "sawhorse_baseline", Newest: 1, Else: "write it anew with sawhorse run --update-baseline"}
)

// Problem is a version that cannot be read.
type Problem struct {
	// Line and Column count from 1; 0 where nobody knows.
	Line, Column int
	// What is there, and what was expected or is to be done.
	What, Want string
}

// Error says both.
func (p *Problem) Error() string { return p.What + ", expected " + p.Want }

// Check says what is wrong with a version, nil for one that can be read.
func (k Kind) Check(version int) *Problem {
	switch {
	case version > k.Newest:
		return &Problem{What: fmt.Sprintf("%s %d of a %s is newer than this program", k.Key, version, k.Name),
			Want: fmt.Sprintf("at most %d: take a newer program, or %s", k.Newest, k.Else)}
	case version < 1:
		return &Problem{What: fmt.Sprintf("%s is %d", k.Key, version), Want: fmt.Sprintf("a version from 1 to %d", k.Newest)}
	}
	return nil
}

// CheckYAML looks for the version in a document's top mapping; nil is a file that can
// be read, or one that is no mapping at all, which its loader says.
func (k Kind) CheckYAML(root ast.Node) *Problem {
	for _, v := range pairs(root) {
		if key, ok := v.Key.(*ast.StringNode); !ok || key.Value != k.Key {
			continue
		}
		var p *Problem
		if n, ok := v.Value.(*ast.IntegerNode); ok {
			version, err := strconv.Atoi(n.GetToken().Value)
			if err != nil { // of more digits than a number has
				version = k.Newest + 1
			}
			p = k.Check(version)
		} else {
			p = &Problem{What: k.Key + " is no whole number", Want: fmt.Sprintf("a version from 1 to %d", k.Newest)}
		}
		if p != nil {
			p.Line, p.Column = 1, 1
			if t := v.Value.GetToken(); t != nil && t.Position != nil {
				p.Line, p.Column = max(1, t.Position.Line), max(1, t.Position.Column)
			}
		}
		return p
	}
	return nil
}

// pairs are those of a mapping; a mapping of one pair is a node of its own.
func pairs(root ast.Node) []*ast.MappingValueNode {
	switch m := root.(type) {
	case *ast.MappingNode:
		return m.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}
	}
	return nil
}
