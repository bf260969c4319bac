// Package virtual runs the daemon's line on the simulator's controller program over
// months of virtual time, in its tests. The shell with its timers, the machine, the
// journal in its file and the program of the controller, with a scan of 100 ms, are
// the real ones; the link is in memory, because a socket would stop the virtual
// clock. Faults of the link, the registers, the controller, the line and the daemon
// come at random, from a plan that a seed draws.
//
// At the end of each run everything has to come to rest, the history of both sides
// to be one that a sequential station explains, the journal to be sound, and each
// decision in it to come out again without a difference. The plan of a run that
// fails is cut down to few steps and written to a file, which can be run again:
//
//	go test ./gateway/rehearse/virtual -virtual 8760h -timeout 0 -artifacts
//	go test ./gateway/rehearse/virtual -virtual-trace FILE -v
package virtual
