// Package turns lets the runs of several sites use instruments in turn: whoever speaks to a shared instrument holds it, first come, first served, from the
// first message of what belongs together to the last one.
//
// Several instruments are taken in one fixed order, so that two runs cannot wait for each other for ever. Whoever switches off goes before everybody
// else; one that holds an instrument for longer than [Patience] then is cut off. What speaks without holding is refused: no message gets in between.
package turns

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
)

// Patience is for how long switching off waits until it cuts off whoever has the instrument.
const Patience = 500 * time.Millisecond

// The errors of this package.
var (
	ErrCutOff  = errors.New("cut off: another site has to switch off with the same instrument")
	ErrOrder   = errors.New("instruments that belong together have to be taken together")
	ErrNotHeld = errors.New("an instrument that several sites share was spoken to without being held")
)

// Lendable is a shared instrument; a *driver.Instrument is one.
type Lendable interface {
	Lend(spans *ledger.Ledger, inputs *measured.Ledger)
}

// Pool is the instruments that several sites use. Its methods may be called from several goroutines.
type Pool struct {
	clock clock.Clock
	lost  func(instrument string, err error)

	mu       sync.Mutex // guards what follows
	places   []*place   // in the order in which they are taken
	sections int64
	began    bool // from then on, speaking needs holding
	parties  []*Party
	chosen   bool              // somebody does what is to be done once for all
	contacts map[string]string // by metering channel: the relay that joins it to a node
}

// place is one shared instrument.
type place struct {
	name     string
	it       Lendable
	holder   *section
	speaker  *section // that has sent or awaited a message last
	queue    []*request
	prepared bool
	failed   error // why it could not be prepared
}

// section is the time for which somebody holds instruments.
type section struct {
	party  *Party
	number int64
	cut    context.CancelCauseFunc
	places []*place
	around *section // that it was begun in
}

// request is somebody who waits for an instrument.
type request struct {
	section *section
	urgent  bool
	granted *clock.Signal
}

// NewPool makes a pool. lost is told, from whatever goroutine, that the connection to a shared instrument is lost; it may be nil.
func NewPool(c clock.Clock, lost func(instrument string, err error)) *Pool {
	return &Pool{clock: clock.Or(c), lost: lost, contacts: map[string]string{}}
}

// Add adds an instrument, behind those that are there.
func (p *Pool) Add(name string, it Lendable) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.places = append(p.places, &place{name: name, it: it})
}

// Shares tells whether an instrument is a shared one.
func (p *Pool) Shares(name string) bool { return p.find(name) != nil }

func (p *Pool) find(name string) *place {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, one := range p.places {
		if one.name == name {
			return one
		}
	}
	return nil
}

// Begin makes holding an instrument the condition for speaking to it; End ends that.
func (p *Pool) Begin() { p.begin(true) }

// End is for when all runs have ended.
func (p *Pool) End() { p.begin(false) }

func (p *Pool) begin(on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.began = on
}

// Holder says which site holds an instrument, and in which section: sections are counted through the whole pool. Both are empty where nobody does.
func (p *Pool) Holder(name string) (site string, section int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, one := range p.places {
		if one.name == name && one.holder != nil {
			return one.holder.party.site, one.holder.number
		}
	}
	return "", 0
}

// Speaker says which site has sent the latest message to an instrument, or awaits the answer, and in which section: by the context that it was said with, whoever holds the
// instrument. It is for a log of what is said.
func (p *Pool) Speaker(name string) (site string, section int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, one := range p.places {
		if one.name == name && one.speaker != nil {
			return one.speaker.party.site, one.speaker.number
		}
	}
	return "", 0
}

// Party is the run of one site. It is used by one goroutine at a time.
type Party struct {
	pool   *Pool
	site   string
	spans  *ledger.Ledger
	inputs *measured.Ledger
	// Busy is told that nothing will be heard of this run while it waits, and 0 when it goes on; nil: nobody asks.
	Busy func(time.Duration)

	come  *clock.Signal // it has come to where all of them meet; nil: not yet
	left  bool
	given error // by whoever came last
}

// Join makes the party of a site; the accounts are those of its run.
func (p *Pool) Join(site string, spans *ledger.Ledger, inputs *measured.Ledger) *Party {
	p.mu.Lock()
	defer p.mu.Unlock()
	one := &Party{pool: p, site: site, spans: spans, inputs: inputs}
	p.parties = append(p.parties, one)
	return one
}

type sectionKey struct{}

func sectionOf(ctx context.Context) *section {
	s, _ := ctx.Value(sectionKey{}).(*section)
	return s
}

func (s *section) has(name string) bool {
	for ; s != nil; s = s.around {
		if slices.ContainsFunc(s.places, func(p *place) bool { return p.name == name }) {
			return true
		}
	}
	return false
}

// last is the place, in the order of the pool, up to which instruments are held; -1 where none is.
func (p *Pool) last(s *section) int {
	last := -1
	for ; s != nil; s = s.around {
		for _, one := range s.places {
			last = max(last, slices.Index(p.places, one))
		}
	}
	return last
}

// Hold waits until this party may use the shared ones among some instruments, and takes them, until release is called. What is said to them must be said
// with the context that it gives. What is held already, by ctx, stays held: a section within a section takes only what is not held yet, and only what
// comes later in the order of the pool, else it is ErrOrder.
func (p *Party) Hold(ctx context.Context, names ...string) (held context.Context, release func(), err error) {
	return p.hold(ctx, false, names)
}

// HoldNow is Hold for whoever switches off: it goes before those who wait, and after [Patience] whoever holds an instrument is cut off.
func (p *Party) HoldNow(ctx context.Context, names ...string) (held context.Context, release func(), err error) {
	return p.hold(ctx, true, names)
}

func (p *Party) hold(ctx context.Context, urgent bool, names []string) (context.Context, func(), error) {
	nothing := func() {}
	if p == nil {
		return ctx, nothing, nil
	}
	around := sectionOf(ctx)
	p.pool.mu.Lock()
	last := p.pool.last(around)
	var wanted []*place
	var misfit error
	for i, one := range p.pool.places {
		if !slices.Contains(names, one.name) || around.has(one.name) {
			continue
		}
		if i < last {
			misfit = fmt.Errorf("%s: %w; %s is held already", one.name, ErrOrder, p.pool.places[last].name)
		}
		wanted = append(wanted, one)
	}
	p.pool.mu.Unlock()
	if misfit != nil || len(wanted) == 0 {
		return ctx, nothing, misfit
	}
	own, cut := context.WithCancelCause(ctx)
	s := &section{party: p, cut: cut, around: around}
	give := func() {
		p.pool.release(s)
		cut(nil)
	}
	for _, one := range wanted {
		if err := p.take(ctx, s, one, urgent); err != nil {
			give()
			return ctx, nothing, fmt.Errorf("%s is in use by another site: %w", one.name, err)
		}
	}
	return context.WithValue(own, sectionKey{}, s), give, nil
}

// take waits for one instrument.
func (p *Party) take(ctx context.Context, s *section, one *place, urgent bool) error {
	pool := p.pool
	pool.mu.Lock()
	if err := ctx.Err(); err != nil {
		pool.mu.Unlock()
		return context.Cause(ctx)
	}
	if one.holder == nil && len(one.queue) == 0 {
		one.holder = s
		pool.grant(s, one)
		pool.mu.Unlock()
		one.it.Lend(p.spans, p.inputs)
		return nil
	}
	r := &request{section: s, urgent: urgent, granted: clock.NewSignal(ctx)}
	at := len(one.queue)
	if urgent {
		if at = slices.IndexFunc(one.queue, func(o *request) bool { return !o.urgent }); at < 0 {
			at = len(one.queue)
		}
	}
	one.queue = slices.Insert(one.queue, at, r)
	pool.mu.Unlock()
	waiting := p.spans.EnterApart(ledger.InUse, one.name)
	err := p.wait(ctx, r, one)
	waiting.Leave()
	if err != nil {
		pool.giveUp(r, one)
		return err
	}
	one.it.Lend(p.spans, p.inputs)
	return nil
}

// waits is how long a wait for an instrument is announced at a time.
const waits = time.Minute

func (p *Party) wait(ctx context.Context, r *request, one *place) error {
	if p.Busy != nil {
		p.Busy(waits)
		defer p.Busy(0)
	}
	if r.urgent {
		patient, cancel := p.pool.clock.WithTimeout(ctx, Patience)
		err := r.granted.Wait(patient)
		cancel()
		if err == nil || ctx.Err() != nil {
			return err
		}
		p.pool.cutOff(one)
		return r.granted.Wait(ctx)
	}
	for {
		announced, cancel := p.pool.clock.WithTimeout(ctx, waits)
		err := r.granted.Wait(announced)
		cancel()
		if err == nil || ctx.Err() != nil || errors.Is(err, clock.ErrNobody) {
			if err != nil && ctx.Err() != nil {
				err = context.Cause(ctx)
			}
			return err
		}
		if p.Busy != nil {
			p.Busy(waits)
		}
	}
}

// grant notes that a section has an instrument. The caller holds the lock.
func (p *Pool) grant(s *section, one *place) {
	if s.number == 0 {
		p.sections++
		s.number = p.sections
	}
	s.places = append(s.places, one)
}

// cutOff ends what whoever holds an instrument does with it.
func (p *Pool) cutOff(one *place) {
	p.mu.Lock()
	holder := one.holder
	p.mu.Unlock()
	if holder != nil {
		holder.cut(ErrCutOff)
	}
}

// giveUp takes somebody out of the queue; what had been granted meanwhile is passed on.
func (p *Pool) giveUp(r *request, one *place) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if i := slices.Index(one.queue, r); i >= 0 {
		one.queue = slices.Delete(one.queue, i, i+1)
		return
	}
	if one.holder == r.section {
		r.section.places = slices.DeleteFunc(r.section.places, func(o *place) bool { return o == one })
		p.pass(one)
	}
}

// release gives back what a section holds.
func (p *Pool) release(s *section) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, one := range slices.Backward(s.places) {
		if one.holder == s {
			p.pass(one)
		}
	}
	s.places = nil
}

// pass gives an instrument to whoever waits first. The caller holds the lock.
func (p *Pool) pass(one *place) {
	one.holder = nil
	if len(one.queue) == 0 {
		return
	}
	next := one.queue[0]
	one.queue = slices.Delete(one.queue, 0, 1)
	one.holder = next.section
	p.grant(next.section, one)
	next.granted.Give()
}
