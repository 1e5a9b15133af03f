package server

// abandon drops everything in progress: power is lost or the unit resets.
func (s *Server) abandon(why byte) {
	s.work.active = false
	s.queue = s.queue[:0]
	s.reset, s.resetBy, s.owed = 0, 0, false
	s.abortRoutines(why)
	for _, t := range s.tests {
		s.endTest(t, routineAborted, why)
	}
	s.stopPeriodic(nil)
	s.enter(&s.sessions[0])
}

// restart is a reset: silent for the boot time, then in the default session.
func (s *Server) restart(kind ResetKind) {
	s.abandon(reasonReset)
	s.forgetDynamic()
	s.silentUntil = s.now + s.unit.Timing.Boot.Duration()
	s.locks.powerUp(s.now)
	_, invalid := s.nv.Get(invalidName)
	s.setBoot(invalid)
	s.application.Reset(kind)
	s.resume()
}
