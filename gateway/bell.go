package gateway

// bell calls the loop of a line to hear what others left for it. Rung twice it may call
// once. Nil is one that nobody hears and that never calls.
type bell chan struct{}

func newBell() bell { return make(bell, 1) }

func (b bell) ring() {
	select {
	case b <- struct{}{}:
	default: // it is rung
	}
}
