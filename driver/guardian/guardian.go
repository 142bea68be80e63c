package guardian

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
)

// Config is what a guardian works with.
type Config struct {
	Clock clock.Clock // nil is the machine's
	// Dial opens a link; baseDir is where relative paths start.
	Dial func(ctx context.Context, a transport.Address, baseDir string) (transport.Link, error)
	// Note is told what the guardian does; it must not wait. record is the folder of the record; nil: nobody.
	Note func(record string, e Event)
	// EndRunner ends the process that should beat, so that its connections become free; nil: cannot be done.
	EndRunner func(process int) error
}

// Event is something that the guardian did or found.
type Event struct {
	Level  string // info, warn, error
	Text   string
	Fields map[string]any
}

// ErrNotSafe says that something may still be on.
var ErrNotSafe = errors.New("the guardian could not switch everything off")

// Serve is a guardian: it takes its orders from in and answers on out, and returns when the guard is over: nil after an orderly end and where everything
// is off, ErrNotSafe where something may still be on. A run that ended before it was armed is none of its business.
func Serve(ctx context.Context, in io.Reader, out io.Writer, c Config) error {
	g := &guard{config: c, clock: clock.Or(c.Clock), out: out}
	g.begun = g.clock.Now()
	lines := bufio.NewReaderSize(in, 64<<10)
	first, err := lines.ReadBytes('\n')
	if err != nil {
		return fmt.Errorf("no orders came: %w", err)
	}
	orders, places, err := readOrders(first)
	if err != nil {
		g.say("refused " + err.Error())
		return err
	}
	g.orders = orders
	for _, p := range places {
		g.hands = append(g.hands, &hand{guard: g, place: p})
	}
	g.reach(ctx)
	if err := g.ready(); err != nil {
		return err
	}
	go g.listen(lines)
	return g.watch(ctx)
}

// guard is one guardian at work.
type guard struct {
	config Config
	clock  clock.Clock
	begun  time.Time
	orders Orders
	hands  []*hand

	mu       sync.Mutex // guards what follows
	out      io.Writer
	armed    bool
	asked    bool // to arm
	lastBeat time.Time
	gone     bool   // the pipe has ended
	ended    bool   // in order
	relieve  string // the runner asks to be relieved
}

func (g *guard) say(line string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	_, _ = io.WriteString(g.out, strings.ReplaceAll(line, "\n", " ")+"\n") // a runner that is gone does not hear it
}

func (g *guard) note(level, text string, fields map[string]any) {
	if g.config.Note != nil {
		for _, record := range append([]string{g.orders.Record}, g.orders.Also...) {
			g.config.Note(record, Event{level, text, fields})
		}
	}
}

// ready tells the runner how the instruments are reached.
func (g *guard) ready() error {
	var hands []Hand
	for _, h := range g.hands {
		hands = append(hands, Hand{h.Name, h.Turn, h.in != nil, h.held, h.model.Dialect.CanSay("arm watchdog"), h.problem})
	}
	line, err := json.Marshal(hands)
	if err == nil {
		g.say("ready " + string(line))
	}
	return err
}

// listen takes what the runner says until the pipe ends, and answers each beat.
func (g *guard) listen(lines *bufio.Reader) {
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			g.mu.Lock()
			g.gone = true
			g.mu.Unlock()
			return
		}
		verb, rest, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
		g.mu.Lock()
		g.lastBeat = g.clock.Now()
		switch verb {
		case "arm":
			g.asked, g.armed = true, true
		case "relieve":
			g.relieve = rest
		case "end":
			g.ended = true
		}
		g.mu.Unlock()
		if verb == "beat" {
			g.say("pulse")
		}
	}
}

const (
	lookEvery = 5 * time.Millisecond  // at the state of the guard
	heldUp    = 50 * time.Millisecond // a look that comes so late says that this process stood still itself
)

// watch waits for what ends the guard.
func (g *guard) watch(ctx context.Context) error {
	last, granted := g.clock.Now(), time.Time{}
	fed := last
	for {
		if err := g.clock.Sleep(ctx, lookEvery); err != nil {
			return g.takeOver(ctx, "the guardian itself is stopped")
		}
		now := g.clock.Now()
		g.mu.Lock()
		if now.Sub(last) > heldUp && granted.Before(g.lastBeat) {
			granted = now.Add(-BeatWithin / 2) // beats may wait in the pipe: a moment to hear them, once
			g.lastBeat = granted
		}
		last = now
		late := now.Sub(g.lastBeat)
		armed, asked, gone, ended, relieve := g.armed, g.asked, g.gone, g.ended, g.relieve
		g.asked = false
		g.mu.Unlock()
		switch {
		case ended:
			g.disarm(ctx)
			g.say("bye")
			return nil
		case gone && !armed:
			return nil
		case gone:
			return g.takeOver(ctx, "the run is gone without having said that it ended")
		case relieve != "" && armed:
			return g.takeOver(ctx, "the run asks for it: "+relieve)
		case asked:
			if err := g.arm(ctx); err != nil {
				g.say("refused " + err.Error())
				continue
			}
			fed = now
			g.say("armed")
		case armed && late > BeatWithin:
			return g.takeOver(ctx, fmt.Sprintf("no beat for %v", late.Round(time.Millisecond)))
		case armed && now.Sub(fed) >= WatchdogAfter/3:
			fed = now
			g.feed(ctx)
		}
	}
}
