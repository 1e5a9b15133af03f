package spec

import "slices"

// Session is one diagnostic session; the first is the default session.
type Session struct {
	Session string `yaml:"session"`
	ID      uint8  `yaml:"id"`
	P2      Span   `yaml:"p2"`
	P2Star  Span   `yaml:"p2_star"`
	// From lists the sessions it can be entered from; none means all.
	From []string `yaml:"from"`
	// Needs must hold to enter it.
	Needs []Condition `yaml:"needs"`
}

// Service is a row of the table of services and sessions.
type Service struct {
	Service  uint8    `yaml:"service"`
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
	// Subs narrows the sub-functions; none means all that the server has.
	Subs []SubFunction `yaml:"subs"`
	// Needs must hold for the service to act.
	Needs []Condition `yaml:"needs"`
}

// SubFunction narrows a sub-function of a service.
type SubFunction struct {
	Sub      uint8    `yaml:"sub"`
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
}

// Security is one level of service 27.
type Security struct {
	Level    uint8  `yaml:"level"`
	Secret   uint32 `yaml:"secret"`
	Attempts int    `yaml:"attempts"`
	Delay    Span   `yaml:"delay"`
}

// Slow names work that takes longer than an ordinary answer.
type Slow struct {
	Service uint8 `yaml:"service"`
	// Item narrows it to a sub-function, infotype, DID or RID.
	Item  *uint16 `yaml:"item"`
	Takes Span    `yaml:"takes"`
}

// Periodic are the rates of service 2A and how many identifiers run at once.
type Periodic struct {
	Slow   Span `yaml:"slow"`
	Medium Span `yaml:"medium"`
	Fast   Span `yaml:"fast"`
	Most   int  `yaml:"most"`
}

// Session finds a session by its name; nil for none.
func (u *Unit) Session(name string) *Session {
	i := slices.IndexFunc(u.Sessions, func(x Session) bool { return x.Session == name })
	if i < 0 {
		return nil
	}
	return &u.Sessions[i]
}

// Code finds a code's place by its name.
func (u *Unit) Code(name string) (int, bool) {
	i := slices.IndexFunc(u.Codes, func(c Code) bool { return c.Code == name })
	return i, i >= 0
}
