package run

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fourwire/driver"
	"fourwire/driver/model"
	"fourwire/internal/ledger"
	"fourwire/sequence"
)

// moment is when an event came about, by the clock of the bench: not before the one, and not after the other. Zero: not known.
type moment struct{ earliest, latest time.Time }

// notBefore and notAfter narrow it.
func (m *moment) notBefore(t time.Time) {
	if t.After(m.earliest) {
		m.earliest = t
	}
}

func (m *moment) notAfter(t time.Time) {
	if m.latest.IsZero() || t.Before(m.latest) {
		m.latest = t
	}
}

// middle is in the midst, and by how much it may be off to either side.
func (m moment) middle() (at time.Time, half time.Duration) {
	half = max(0, m.latest.Sub(m.earliest)) / 2
	return m.latest.Add(-half), half
}

// acted takes note that a role did between two moments what a capture under way waits for: its output, its list.
func (r *runner) acted(role int, on sequence.TriggerEvent, began time.Time) {
	c := r.under
	if c == nil || c.step.Trigger.On != on || c.step.Trigger.Role != r.roles[role].Need.Name || !c.own.latest.IsZero() {
		return
	}
	c.own = moment{began, r.clock.Now()}
}

// behind is how long a part goes on sampling after the event.
func (c *capturing) behind() time.Duration {
	points, before := c.step.Points()
	return seconds(float64(points-before) * c.step.Every.SI)
}

const (
	firstLook   = time.Millisecond
	longestLook = 20 * time.Millisecond
)

// awaitEnd asks from time to time how far a part is, until it has what it was armed for, and narrows meanwhile when the event was.
func (r *runner) awaitEnd(ctx context.Context, c *capturing, p *capturingPart, longest time.Duration) error {
	defer r.cfg.Spans.EnterWhole(ledger.Aperture, "").Leave()
	begun, behind := r.clock.Now(), c.behind()
	for pause := firstLook; ; pause = min(2*pause, longestLook) {
		asked := r.clock.Now()
		state, err := p.digitiser.Waiting(ctx)
		if err != nil {
			return err
		}
		heard := r.clock.Now()
		switch state {
		case driver.CaptureWaits:
			c.event.notBefore(asked)
		case driver.CaptureTakes:
			if p.On != model.AtOnce && c.waited {
				c.event.notAfter(heard)
			}
			c.event.notBefore(asked.Add(-behind))
		case driver.CaptureEnded:
			c.event.notAfter(heard.Add(-behind))
			return nil
		}
		if left := longest - r.clock.Since(begun); left <= 0 {
			if state == driver.CaptureWaits {
				return fmt.Errorf("%w in %v", driver.ErrNotTriggered, longest)
			}
			return errors.New("the capture has not ended in " + longest.String())
		}
		if err := r.sleep(ctx, pause); err != nil {
			return err
		}
	}
}

// when is the moment of the event, by what the computer itself did where that was it, else by how far the instruments were.
func (c *capturing) when() moment {
	m := c.event
	if c.own.latest.IsZero() {
		return m
	}
	if own := c.own; !own.latest.Before(m.earliest) && (m.latest.IsZero() || !own.earliest.After(m.latest)) {
		m.notBefore(own.earliest)
		m.notAfter(own.latest)
	}
	return m
}
