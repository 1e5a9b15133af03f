package inspect

import (
	"fmt"
	"strconv"
	"strings"

	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
)

// Address is one end of a diagnostic conversation: an identifier, and with extended or
// mixed addressing (ISO 15765-2) the byte before the protocol control information.
type Address struct {
	Key    canbus.Key
	Ext    byte
	HasExt bool
}

// nobody answers: requests to several.
var nobody = Address{Key: isotp.None}

// String is the identifier, with an address byte after a slash: 7E0, 6F1/12; "" for
// nobody.
func (a Address) String() string {
	switch {
	case a == nobody:
		return ""
	case a.HasExt:
		return fmt.Sprintf("%v/%02X", a.Key, a.Ext)
	}
	return a.Key.String()
}

// MarshalText is String.
func (a Address) MarshalText() ([]byte, error) { return []byte(a.String()), nil }

func parseAddress(s string) (Address, error) {
	id, ext, hasExt := strings.Cut(s, "/")
	k, err := canbus.ParseKey(id)
	if err != nil {
		return Address{}, err
	}
	a := Address{Key: k, HasExt: hasExt}
	if hasExt {
		n, err := strconv.ParseUint(ext, 16, 8)
		if err != nil {
			return Address{}, fmt.Errorf("address byte %q, want two hexadecimal digits as in 6F1/12", ext)
		}
		a.Ext = byte(n)
	}
	return a, nil
}

// Conversation is who asks and who answers.
type Conversation struct {
	Request Address `json:"request"`
	// Answer is where it is answered; nobody's for requests to several.
	Answer Address `json:"answer"`
	// Flows counts the messages of several frames that the other end let through by flow
	// control, Answers the requests that were answered by their service.
	Flows   int `json:"flow_controlled"`
	Answers int `json:"answers"`
}

// ParseConversation reads REQUEST:ANSWER in hexadecimal, as in 700:708, 18FA10F1:18FAF110 or
// 6F1/12:612/F1 with address bytes; without an answer it is asked of several.
func ParseConversation(s string) (Conversation, error) {
	wrong := func(err error) (Conversation, error) {
		return Conversation{}, fmt.Errorf("pair %q: %w, want REQUEST:ANSWER in hexadecimal as in 700:708 or 6F1/12:612/F1", s, err)
	}
	request, answer, _ := strings.Cut(s, ":")
	c := Conversation{Answer: nobody}
	var err error
	if c.Request, err = parseAddress(request); err != nil {
		return wrong(err)
	}
	if answer == "" {
		return c, nil
	}
	if c.Answer, err = parseAddress(answer); err != nil {
		return wrong(err)
	}
	switch {
	case c.Request.HasExt != c.Answer.HasExt:
		return wrong(fmt.Errorf("one end has an address byte and the other none"))
	case c.Request == c.Answer:
		return wrong(fmt.Errorf("both ends are the same"))
	}
	return c, nil
}

// transport is the address as a tool has it.
func (c *Conversation) transport() isotp.Address {
	return isotp.Address{
		Tx: c.Request.Key, Rx: c.Answer.Key, HasExt: c.Request.HasExt, TxExt: c.Request.Ext, RxExt: c.Answer.Ext,
		Functional: c.Answer == nobody,
	}
}
