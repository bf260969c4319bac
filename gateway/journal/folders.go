package journal

import "sync"

// Folders are the folders in which several journals lie. To synchronise one costs the
// system more than a record does, and hundreds of lines start at once: whoever asks for it
// while another is under way shares the one that comes next. The zero value is ready.
type Folders struct {
	fsync func(path string) error // nil for syncDir

	mu  sync.Mutex
	all map[string]*folder
}

type folder struct {
	next    *sharedSync   // that has not begun; nil for none
	running chan struct{} // has an element while the folder is synchronised
}

// sharedSync is one synchronisation of a folder, for all who asked before it began.
type sharedSync struct {
	done chan struct{} // closed when err is set
	err  error
}

// Share lets a journal share the synchronisations of its folders with others.
func Share(f *Folders) Option { return func(j *Journal) { j.folders = f } }

// sync makes the names in a folder durable that stand there when it is called.
func (f *Folders) sync(path string) error {
	f.mu.Lock()
	d := f.all[path]
	if d == nil {
		d = &folder{running: make(chan struct{}, 1)}
		if f.all == nil {
			f.all = map[string]*folder{}
		}
		f.all[path] = d
	}
	mine := d.next
	if mine != nil {
		f.mu.Unlock()
		<-mine.done
		return mine.err
	}
	mine = &sharedSync{done: make(chan struct{})}
	d.next = mine
	f.mu.Unlock()
	d.running <- struct{}{}
	f.mu.Lock()
	d.next = nil // whoever comes from here on needs another
	f.mu.Unlock()
	if f.fsync != nil {
		mine.err = f.fsync(path)
	} else {
		mine.err = syncDir(path)
	}
	<-d.running
	close(mine.done)
	return mine.err
}
