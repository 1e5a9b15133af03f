package dbc

import (
	"time"

	"sawhorse/canbus"
)

// Network is what a .dbc file tells.
type Network struct {
	// File is the name it was read under.
	File     string
	Version  string
	Comment  string
	Nodes    []*Node
	Messages []*Message // in the file's order
	// Warnings tell what was odd in the file, in the order of its lines.
	Warnings []Warning

	byKey  map[canbus.Key]*Message
	std    [canbus.MaxStandardID + 1]uint16 // place in Messages plus 1, of 11-bit identifiers
	byName map[string]*Message
	byNode map[string]*Node
	attributed
}

// Node is a unit on the network.
type Node struct {
	Name    string
	Comment string
	attributed
}

// Message is one identifier's frame.
type Message struct {
	Key    canbus.Key
	Name   string
	Length int  // bytes of payload, 0 to 64
	FD     bool // sent as CAN FD
	// Sender is the node that sends it, empty if the file names none. Senders lists all
	// where there are several.
	Sender  string
	Senders []string
	// CycleTime is the period it is sent at; 0 if the file gives none.
	CycleTime time.Duration
	Comment   string
	Signals   []*Signal // in the file's order
	At        Place     // of the identifier

	codec *Codec
	names names
	attributed
}

// Message finds a message by identifier.
func (n *Network) Message(key canbus.Key) (*Message, bool) {
	if key <= canbus.Key(canbus.MaxStandardID) {
		if i := n.std[key]; i > 0 {
			return n.Messages[i-1], true
		}
		return nil, false
	}
	m, ok := n.byKey[key]
	return m, ok
}

// MessageNamed finds a message by name; of several with one name the first.
func (n *Network) MessageNamed(name string) (*Message, bool) {
	m, ok := n.byName[name]
	return m, ok
}

// Node finds a node by name.
func (n *Network) Node(name string) (*Node, bool) {
	d, ok := n.byNode[name]
	return d, ok
}

// Signal finds a signal of the message by name.
func (m *Message) Signal(name string) (*Signal, bool) {
	if i := m.Index(name); i >= 0 {
		return m.Signals[i], true
	}
	return nil, false
}

// Index is a signal's place in Signals, -1 if there is none of that name.
func (m *Message) Index(name string) int {
	return m.names.find(name, m.Signals)
}

// Codec is the message's compiled codec; nil for a Message that was not loaded, which
// Compile serves.
func (m *Message) Codec() *Codec { return m.codec }

// Place is a place in a file, from 1, the column in characters; the zero Place is none.
type Place struct{ Line, Column int }

// attributed holds the values that a file gives to an object's attributes.
type attributed struct {
	set      map[string]string
	defaults map[string]string
	places   map[string]Place
}

// Attribute is the value of an attribute in the file's notation, an enumeration's by its
// name: what the file says of this object, else the attribute's default, else false.
func (a *attributed) Attribute(name string) (string, bool) {
	if v, ok := a.set[name]; ok {
		return v, true
	}
	v, ok := a.defaults[name]
	return v, ok
}

// AttributePlace is where the file gives this object's attribute its value; the zero Place
// if it does not.
func (a *attributed) AttributePlace(name string) Place { return a.places[name] }

func (a *attributed) put(name, value string, at Place) {
	if a.set == nil {
		a.set, a.places = map[string]string{}, map[string]Place{}
	}
	a.set[name], a.places[name] = value, at
}
