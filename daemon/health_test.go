package daemon_test

import (
	"errors"
	"testing"
	"time"

	"fourwire/daemon"
	"fourwire/daemon/api"
)

func (d *desk) say(name string, said daemon.Probed) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.says == nil {
		d.says = map[string]daemon.Probed{}
	}
	d.says[name] = said
}

func (d *desk) asked(name string) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.probed[name]
}

// What an instrument answered is told with the time since when it is so; its error queue is remembered after it was emptied by being asked.
func TestHealth(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	state := func(i int, wanted string) api.Health {
		t.Helper()
		b := h.untilBench(func(b api.Bench) bool {
			if b.Instruments[i].Health.State == wanted {
				return true
			}
			h.clock.Forward(time.Minute)
			return false
		})
		return b.Instruments[i].Health
	}
	first := state(0, "ok")
	if first.Identity != "Lakeside,psu" || first.Since.IsZero() || first.LastError != "" {
		t.Errorf("%+v", first)
	}
	h.desk.say("psu", daemon.Probed{Err: errors.New("no route to host")})
	gone := state(0, "unreachable")
	if gone.Identity != first.Identity || gone.Error != "no route to host" || gone.Since.Before(first.Since) {
		t.Errorf("%+v", gone)
	}
	n := h.desk.asked("psu")
	for h.desk.asked("psu") < n+3 {
		h.clock.Forward(time.Minute)
		time.Sleep(time.Millisecond)
	}
	b, err := h.Bench(t.Context())
	if now := b.Instruments[0].Health; err != nil || !now.Since.Equal(gone.Since) || !now.Checked.After(gone.Checked) {
		t.Errorf("asked again and again: %+v, before %+v, %v", now, gone, err)
	}
	h.desk.say("psu", daemon.Probed{Identity: "Lakeside,psu", Queue: `-113 "Undefined header"`})
	if w := state(0, "warning"); w.LastError != `-113 "Undefined header"` || w.Error != w.LastError {
		t.Errorf("%+v", w)
	}
	h.desk.say("psu", daemon.Probed{Identity: "Lakeside,psu"})
	if w := state(0, "ok"); w.LastError != `-113 "Undefined header"` || w.Error != "" || w.LastAt.IsZero() {
		t.Errorf("%+v", w)
	}
	h.desk.say("load", daemon.Probed{Wrong: true, Err: errors.New(`its serial number is "L9"`)})
	if w := state(1, "wrong"); w.Error != `its serial number is "L9"` {
		t.Errorf("%+v", w)
	}
}

// An instrument that a job has is left alone.
func TestHealthIsAskedOfIdleInstruments(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	id := h.submit("psu", "hold", api.Submission{})
	h.until(id, in(api.Running))
	before, meter := h.desk.asked("psu"), h.desk.asked("meter")
	for h.desk.asked("meter") < meter+5 {
		h.clock.Forward(time.Minute)
		time.Sleep(time.Millisecond)
	}
	if n := h.desk.asked("psu"); n != before {
		t.Errorf("it was asked %d times while a job had it", n-before)
	}
	h.let("psu", 0)
	h.until(id, in(api.Done))
	for h.desk.asked("psu") == before {
		h.clock.Forward(time.Minute)
		time.Sleep(time.Millisecond)
	}
}

// A calibration that runs out is told thirty days before.
func TestCalibrationDue(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	today := h.clock.Now().UTC()
	for _, c := range []struct {
		days          int
		soon, overdue bool
	}{{-1, false, true}, {0, true, false}, {30, true, false}, {31, false, false}} {
		h.desk.mu.Lock()
		h.desk.due = today.AddDate(0, 0, c.days).Format(time.DateOnly)
		h.desk.mu.Unlock()
		b, err := h.Bench(t.Context())
		if in := b.Instruments[0]; err != nil || in.DueSoon != c.soon || in.Overdue != c.overdue || b.Instruments[1].DueSoon {
			t.Errorf("due in %d days: soon %v, overdue %v, %v", c.days, in.DueSoon, in.Overdue, err)
		}
	}
}
