package fault

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/replay"
	"sawhorse/dbc"
)

// Network is the bus as frames on it are altered.
type Network interface {
	// Alter puts a rule to work on the frames of all nodes.
	Alter(r alter.Alteration) (remove func(), err error)
	// Babble puts a node on the bus that talks without being asked.
	Babble(b alter.Babble) (stop func(), err error)
	// Sender turns the name of a node into a test of senders: "tool" is whoever
	// is not of the bench. The error lists the nodes.
	Sender(name string) (func(sender string) bool, error)
	// FrameTime is how long a frame occupies the bus, its gap included; 0 where
	// that is not known.
	FrameTime(f *canbus.Frame) time.Duration
	// BusOff takes a node's controller off an embedded bus, and BitErrors has
	// matching frames falsified on the copper; on a real interface both are an
	// error.
	BusOff(node string) error
	BitErrors(name string, m alter.Match, bit int) (remove func(), err error)
}

var errNoNetwork = errors.New("there is no bus to alter")

// matchOf reads the parameters by which frames are chosen. All entries whose acts
// choose frames have them.
func matchOf(t *Target, p Params) (alter.Match, error) {
	m := alter.Match{
		Skip: int(p.Number("skip")), Every: int(p.Number("every")), Count: int(p.Number("count")),
		Share: p.Number("share") / 100,
	}
	if t.Network == nil {
		return m, errNoNetwork
	}
	var err error
	if m.IDs, err = idsOf(p); err != nil {
		return m, err
	}
	if name := p.Text("message"); name != "" {
		msg, err := messageOf(t, p)
		if err != nil {
			return m, err
		}
		m.IDs = append(m.IDs, replay.ID(msg.Key))
	}
	parts := map[string]alter.Part{
		"": alter.AnyPart, "any": alter.AnyPart, "single": alter.SingleFrame, "first": alter.FirstFrame,
		"consecutive": alter.ConsecutiveFrame, "flow-control": alter.FlowControl,
	}
	m.Part = parts[p.Text("part")]
	if s := p.Text("sender"); s != "" {
		m.Sender, err = t.Network.Sender(s)
	}
	return m, err
}

// idsOf are the identifiers that the parameter ids gives.
func idsOf(p Params) ([]replay.Match, error) {
	var list []replay.Match
	for _, word := range strings.FieldsFunc(p.Text("ids"), func(r rune) bool { return r == ' ' || r == ',' }) {
		id, err := replay.ParseMatch(word)
		if err != nil {
			return nil, err
		}
		list = append(list, id)
	}
	return list, nil
}

// messageOf is the message that the parameters dbc and message name.
func messageOf(t *Target, p Params) (*dbc.Message, error) {
	if t.DBC == nil {
		return nil, errors.New("there is no .dbc file to know messages by")
	}
	network, err := t.DBC(p.Text("dbc"))
	if err != nil {
		return nil, err
	}
	msg, ok := network.MessageNamed(p.Text("message"))
	if !ok {
		return nil, fmt.Errorf("parameter message is %q, want one of %s", p.Text("message"), messageNames(network))
	}
	return msg, nil
}

// hexBytes are bytes that a parameter gives in hexadecimal.
func hexBytes(p Params, name string) ([]byte, error) {
	b, err := hex.DecodeString(strings.ReplaceAll(p.Text(name), " ", ""))
	if err != nil {
		return nil, fmt.Errorf("parameter %s is %q, want hexadecimal bytes such as \"22 F1 90\"", name, p.Text(name))
	}
	return b, nil
}

// millis is a time that a parameter gives in milliseconds.
func millis(p Params, name string) time.Duration {
	return time.Duration(p.Number(name) * float64(time.Millisecond))
}
