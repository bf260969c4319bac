package link

import "sync"

// Warning is something about a connection that works but should not stay so,
// such as a certificate that ends soon.
type Warning struct {
	Code string // one word for log and reports, as expiry or no-security
	Text string // what is so
	Help string // what to do about it
}

// Warnings gives each warning once for as long as its cause lasts. The zero
// value gives them to nobody.
type Warnings struct {
	To func(Warning)

	mu    sync.Mutex
	given map[string]bool
}

// Tell gives w when its cause, named by key, begins to hold. After the cause
// has ended it is given again.
func (s *Warnings) Tell(holds bool, key string, w Warning) {
	s.mu.Lock()
	first := holds && !s.given[key]
	if s.given == nil {
		s.given = map[string]bool{}
	}
	s.given[key] = holds
	s.mu.Unlock()
	if first && s.To != nil {
		s.To(w)
	}
}
