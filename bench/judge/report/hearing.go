package report

import (
	"slices"

	"sawhorse/bench/judge"
	"sawhorse/canbus/uds"
)

// Hearing follows through a task who was asked for codes, and who has said anything of
// them, if only that it refuses. The zero value has heard nothing.
type Hearing struct {
	// asked are the fields that any request was about, toAll those that all units were
	// asked for at once, alone the units that were asked by themselves.
	asked, toAll map[string]bool
	alone        map[string][]string
	// told are the units that have said anything of a field, by their identifiers and by
	// their names; emission those that have answered service 01.
	told     map[string][]int
	spoke    map[string][]string
	emission []int
}

// The lists of permanent codes of service 19 (ISO 14229-1:2020 clause 12.3).
const (
	reportPermanent        = 0x15
	reportPermanentByGroup = 0x55
)

// about are the fields that a message is about; must says that every unit of emission
// diagnostics has an answer (ISO 15031-5: services 03 and 07).
func about(o *judge.Observation) (fields []string, must bool) {
	switch uds.Service(max(0, o.Service)) {
	case uds.ConfirmedCodes:
		return []string{"stored"}, true
	case uds.PendingCodes:
		return []string{"pending"}, true
	case uds.PermanentCodes:
		return []string{"permanent"}, false
	case uds.ReadDTCInformation: // what a list of it means is its asker's choice
		if o.Sub == reportPermanent || o.Sub == reportPermanentByGroup {
			return []string{"stored", "pending", "permanent"}, false
		}
		return []string{"stored", "pending"}, false
	}
	return nil, false
}

// Observe takes in what goes by. A task begins anew.
func (h *Hearing) Observe(o *judge.Observation) {
	switch o.Kind {
	case judge.TaskStart:
		*h = Hearing{}
	case judge.Request:
		h.request(o)
	case judge.Response:
		h.response(o)
	}
}

func (h *Hearing) begin() {
	if h.asked == nil {
		h.asked, h.toAll, h.alone = map[string]bool{}, map[string]bool{}, map[string][]string{}
		h.told, h.spoke = map[string][]int{}, map[string][]string{}
	}
}

func (h *Hearing) request(o *judge.Observation) {
	h.begin()
	fields, must := about(o)
	for _, f := range fields {
		h.asked[f] = true
		h.toAll[f] = h.toAll[f] || must && o.Functional
		if !o.Functional && !slices.Contains(h.alone[f], o.ECU) {
			h.alone[f] = append(h.alone[f], o.ECU)
		}
	}
}

func (h *Hearing) response(o *judge.Observation) {
	h.begin()
	if uds.Service(max(0, o.Service)) == uds.CurrentData && o.Positive && !slices.Contains(h.emission, o.ID) {
		h.emission = append(h.emission, o.ID)
	}
	fields, must := about(o)
	if o.NRC == int(uds.ResponsePending) || o.Positive && must && !consistent(o.Data) {
		return // nothing yet, or nothing that can be trusted
	}
	for _, f := range fields {
		h.asked[f] = true // also on an identifier that nobody knows
		if !slices.Contains(h.told[f], o.ID) {
			h.told[f], h.spoke[f] = append(h.told[f], o.ID), append(h.spoke[f], o.ECU)
		}
	}
}

// consistent reports a list of codes that has as many as it says.
func consistent(d []byte) bool { return len(d) > 1 && len(d) == 2+2*int(d[1]) }

// quiet reports a unit of emission diagnostics that was asked for a field with all others
// and has said nothing of it.
func (h *Hearing) quiet(field string, unit int) bool {
	return h.toAll[field] && slices.Contains(h.emission, unit) && !slices.Contains(h.told[field], unit)
}

// Silent reports that somebody who was asked for a field has said nothing of it: no tool
// could know what is there.
func (h *Hearing) Silent(field string) bool {
	if !h.asked[field] {
		return false
	}
	return len(h.told[field]) == 0 ||
		slices.ContainsFunc(h.emission, func(unit int) bool { return h.quiet(field, unit) }) ||
		slices.ContainsFunc(h.alone[field], func(name string) bool { return !slices.Contains(h.spoke[field], name) })
}
