package terminal

// Progress shows how far something is that takes long and makes no points meanwhile: on a live line, or as plain lines at each tenth. part
// is how much of it is done, 0..1; 0: not known.
func (v *View) Progress(text string, part float64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	s := v.o.Progress
	if s.To == nil {
		return
	}
	if !s.Live {
		tenth := int(10*part + 1e-9)
		if tenth < v.tenth {
			v.tenth = 0 // the next one
		}
		if tenth > v.tenth {
			v.tenth = tenth
			v.print(s.cut(s.text(text), s.columns()))
		}
		return
	}
	if !v.drawn.IsZero() && v.clock.Since(v.drawn) < drawEvery {
		return
	}
	v.clear()
	v.drawn = v.clock.Now()
	line := s.cut(s.text(text), s.columns()-1)
	_, _ = s.To.Write([]byte(s.paint(faint, line)))
	v.below = []int{cells(line)}
}
