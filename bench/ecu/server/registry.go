package server

import (
	"slices"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// Services are all that the server has, in the order of their identifiers: those of
// emission OBD (SAE J1979), then those of UDS (ISO 14229-1).
func Services() []Service {
	return []Service{
		currentData(), freezeFrame(), confirmedCodes(), clearEmission(), monitorResults(), pendingCodes(), controlTest(),
		vehicleInformation(), permanentCodes(),
		sessionControl(), ecuReset(), clearCodes(), readCodes(), readData(), readMemory(), readScaling(), securityAccess(),
		communicationControl(), readPeriodic(), defineData(), writeData(), controlOutput(), routineControl(), requestDownload(),
		transferData(), transferExit(), testerPresent(), codeSetting(),
	}
}

// serviceOf finds a service by its identifier.
func serviceOf(id uds.Service) (Service, bool) {
	all := Services()
	i := slices.IndexFunc(all, func(x Service) bool { return x.ID == id })
	if i < 0 {
		return Service{}, false
	}
	return all[i], true
}

// Vocabulary is what descriptions of units may name of this server.
func Vocabulary() *spec.Vocabulary {
	v := &spec.Vocabulary{States: lengths()}
	for _, x := range Services() {
		if x.Has == nil {
			v.Services = append(v.Services, spec.ServiceKind{ID: uint8(x.ID), Subs: x.Subs, Session: x.Session})
		}
		if x.Slow {
			v.Slow = append(v.Slow, uint8(x.ID))
		}
	}
	return v
}
