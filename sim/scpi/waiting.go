package scpi

// Waiting tells whether the session holds a command that it has not finished: one in its processing time, a query whose
// answer takes time, or one that is held by *WAI or *OPC?. A server uses it to tell whether somebody waits for time to pass.
func (s *Session) Waiting() bool { return s.unit.found }
