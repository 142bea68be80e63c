package turns_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"fourwire/driver/turns"
	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
	"fourwire/transport"
)

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// thing is a shared instrument that knows whose accounts it books on.
type thing struct{ spans *ledger.Ledger }

func (t *thing) Lend(spans *ledger.Ledger, _ *measured.Ledger) { t.spans = spans }

func newPool(c clock.Clock, names ...string) *turns.Pool {
	p := turns.NewPool(c, nil)
	for _, name := range names {
		p.Add(name, &thing{})
	}
	p.Begin()
	return p
}

func ExamplePool() {
	c := clock.NewVirtual(start)
	pool := newPool(c, "dmm")
	measure := func(site string) func(context.Context) {
		party := pool.Join(site, nil, nil)
		return func(ctx context.Context) {
			for range 2 {
				held, release, err := party.Hold(ctx, "dmm")
				if err != nil {
					fmt.Println(err)
					return
				}
				fmt.Println(site, "measures at", c.Since(start))
				_ = c.Sleep(held, 20*time.Millisecond)
				release()
				_ = c.Sleep(ctx, 30*time.Millisecond) // the device settles
			}
		}
	}
	clock.Together(context.Background(), c, measure("east"), measure("west"))
	// Output:
	// east measures at 0s
	// west measures at 20ms
	// east measures at 50ms
	// west measures at 70ms
}

// First come, first served; whoever switches off comes before everybody who waits.
func TestOrderOfThoseWhoWait(t *testing.T) {
	c := clock.NewVirtual(start)
	pool := newPool(c, "psu")
	var order []string
	take := func(site string, after time.Duration, urgent bool) func(context.Context) {
		party := pool.Join(site, nil, nil)
		return func(ctx context.Context) {
			_ = c.Sleep(ctx, after)
			hold := party.Hold
			if urgent {
				hold = party.HoldNow
			}
			held, release, err := hold(ctx, "psu")
			if err != nil {
				t.Error(site, err)
				return
			}
			order = append(order, fmt.Sprint(site, c.Since(start)))
			_ = c.Sleep(held, 100*time.Millisecond)
			release()
		}
	}
	clock.Together(t.Context(), c, take("a", 0, false), take("c", 2, false), take("b", 1, false), take("off", 3, true))
	if got := fmt.Sprint(order); got != "[a0s off100ms b200ms c300ms]" {
		t.Error(got)
	}
}

// One that holds an instrument for too long is cut off for whoever switches off, and hears why; what waits is booked on a kind of its own, also while
// something settles.
func TestSwitchingOffDoesNotWaitForEver(t *testing.T) {
	c := clock.NewVirtual(start)
	pool := newPool(c, "psu")
	spans := ledger.New(c)
	slow, off := pool.Join("slow", nil, nil), pool.Join("off", spans, nil)
	clock.Together(t.Context(), c, func(ctx context.Context) {
		held, release, err := slow.Hold(ctx, "psu")
		if err != nil {
			t.Error(err)
		}
		defer release()
		if err := c.Sleep(held, time.Hour); err == nil || !errors.Is(context.Cause(held), turns.ErrCutOff) {
			t.Errorf("%v, %v", err, context.Cause(held))
		}
		if ctx.Err() != nil {
			t.Error("the run itself was ended")
		}
	}, func(ctx context.Context) {
		_ = c.Sleep(ctx, time.Second)
		whole := spans.EnterWhole(ledger.Settle, "")
		_, release, err := off.HoldNow(ctx, "psu")
		whole.Leave()
		if err != nil || c.Since(start) != time.Second+turns.Patience {
			t.Errorf("%v at %v", err, c.Since(start))
		}
		release()
	})
	got := map[ledger.Kind]float64{}
	for _, s := range spans.Spans() {
		got[s.Kind] += s.Seconds
	}
	if got[ledger.InUse] != turns.Patience.Seconds() || got[ledger.Settle] != 0 || got[ledger.Host] != 1 {
		t.Errorf("%v", got)
	}
}

// Whoever cannot wait any longer leaves the queue, and what was given to it meanwhile goes on to the next.
func TestGivingUpLeavesTheQueue(t *testing.T) {
	c := clock.NewVirtual(start)
	pool := newPool(c, "psu")
	first, hasty, last := pool.Join("first", nil, nil), pool.Join("hasty", nil, nil), pool.Join("last", nil, nil)
	clock.Together(t.Context(), c, func(ctx context.Context) {
		held, release, _ := first.Hold(ctx, "psu")
		_ = c.Sleep(held, time.Second)
		release()
	}, func(ctx context.Context) {
		short, cancel := c.WithTimeout(ctx, 300*time.Millisecond)
		defer cancel()
		if _, _, err := hasty.Hold(short, "psu"); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v", err)
		}
	}, func(ctx context.Context) {
		_, release, err := last.Hold(ctx, "psu")
		if err != nil || c.Since(start) != time.Second {
			t.Errorf("%v at %v", err, c.Since(start))
		}
		release()
	})
	if site, section := pool.Holder("psu"); site != "" || section != 0 {
		t.Errorf("%s still has it", site)
	}
}

// What could stand still is refused: an instrument that comes before one that is held. What is held already is held.
func TestTakenInOneOrder(t *testing.T) {
	pool := newPool(clock.NewVirtual(start), "a", "b", "c")
	party := pool.Join("east", nil, nil)
	held, release, err := party.Hold(t.Context(), "b", "not shared")
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := party.Hold(held, "a"); !errors.Is(err, turns.ErrOrder) {
		t.Errorf("%v", err)
	}
	inner, again, err := party.Hold(held, "b")
	if err != nil || inner != held {
		t.Errorf("%v", err)
	}
	again()
	if site, _ := pool.Holder("b"); site != "east" {
		t.Error("an inner section gave back what the outer one holds")
	}
	later, more, err := party.Hold(held, "c", "b")
	if err != nil || later == held {
		t.Errorf("%v", err)
	}
	more()
	release()
	var nobody *turns.Party
	if _, _, err := nobody.Hold(t.Context(), "a"); err != nil {
		t.Errorf("one that shares nothing: %v", err)
	}
}

// Many parties take many instruments in sets drawn at random, some of them in sections within sections: nobody waits for ever, and no two have one at a time.
func TestNobodyWaitsForEver(t *testing.T) {
	names := []string{"a", "b", "c", "d"}
	for seed := range uint64(20) {
		c := clock.NewVirtual(start)
		pool := newPool(c, names...)
		has := map[string]string{}
		var courses []func(context.Context)
		for n := range 6 {
			site := fmt.Sprint("site ", n)
			party := pool.Join(site, nil, nil)
			random := rand.New(rand.NewPCG(seed, uint64(n)))
			courses = append(courses, func(ctx context.Context) {
				for range 40 {
					var set []string
					for _, name := range names {
						if random.IntN(2) == 0 {
							set = append(set, name)
						}
					}
					hold := party.Hold
					if random.IntN(10) == 0 {
						hold = party.HoldNow
					}
					held, release, err := hold(ctx, set...)
					if err != nil {
						t.Error(err)
						return
					}
					for _, name := range set {
						if has[name] != "" {
							t.Errorf("%s has %s, %s takes it", has[name], name, site)
						}
						has[name] = site
					}
					_ = c.Sleep(held, time.Duration(random.IntN(1000))*time.Microsecond)
					for _, name := range set {
						has[name] = ""
					}
					release()
					_ = c.Sleep(ctx, time.Duration(random.IntN(500))*time.Microsecond)
				}
			})
		}
		clock.Together(t.Context(), c, courses...)
	}
}

// Without holding nobody speaks; a lost connection is told.
func TestLinkOfWhoHoldsIt(t *testing.T) {
	lost := ""
	pool := turns.NewPool(clock.NewVirtual(start), func(name string, _ error) { lost = name })
	pool.Add("dmm", &thing{})
	inner := &deaf{}
	link := pool.Link("dmm", inner)
	if err := link.Send(t.Context(), []byte("*IDN?")); err != nil {
		t.Errorf("before the runs begin: %v", err)
	}
	pool.Begin()
	east, west := pool.Join("east", nil, nil), pool.Join("west", nil, nil)
	if err := link.Send(t.Context(), []byte("*CLS")); !errors.Is(err, turns.ErrNotHeld) {
		t.Errorf("%v", err)
	}
	held, release, _ := east.Hold(t.Context(), "dmm")
	if err := link.Send(held, []byte("READ?")); err != nil {
		t.Error(err)
	}
	if _, err := link.Receive(held, nil); !errors.Is(err, transport.ErrLost) || lost != "dmm" {
		t.Errorf("%v, lost %q", err, lost)
	}
	release()
	other, done, _ := west.Hold(t.Context(), "dmm")
	defer done()
	if err := link.Send(held, []byte("READ?")); !errors.Is(err, turns.ErrNotHeld) {
		t.Errorf("with a section that has ended: %v", err)
	}
	if err := link.Send(other, []byte("READ?")); err != nil {
		t.Error(err)
	}
	if inner.sent != 3 {
		t.Errorf("%d messages got through", inner.sent)
	}
}

// deaf takes everything and loses the connection when it is to answer.
type deaf struct {
	transport.Link
	sent int
}

func (d *deaf) Send(context.Context, []byte) error { d.sent++; return nil }
func (d *deaf) Receive(_ context.Context, into []byte) ([]byte, error) {
	return into, transport.Explain("it is gone", transport.ErrLost)
}

// All sites begin together; one that has left is not waited for, and what is to be done once is done once.
func TestMeeting(t *testing.T) {
	for _, c := range []struct {
		name   string
		leaves time.Duration
		fails  error
		want   string
	}{
		{"all come", 0, nil, "[once at 5s: a 5s <nil> c 5s <nil> b 5s <nil>]"},
		{"one leaves", 2 * time.Second, nil, "[once at 3s: a 3s <nil> c 3s <nil>]"},
		{"it fails", 0, errors.New("no guard"), "[once at 5s: a 5s no guard c 5s no guard b 5s no guard]"},
		{"the last one leaves", 9 * time.Second, nil, "[once at 9s: a 9s <nil> c 9s <nil>]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := clock.NewVirtual(start)
			pool := newPool(k)
			var log []string
			come := func(site string, after time.Duration) func(context.Context) {
				party := pool.Join(site, nil, nil)
				return func(ctx context.Context) {
					if site == "b" && c.leaves > 0 {
						_ = k.Sleep(ctx, c.leaves)
						party.Leave()
						return
					}
					_ = k.Sleep(ctx, after)
					err := party.Meet(ctx, func(context.Context) error {
						log = append(log, fmt.Sprintf("once at %v:", k.Since(start)))
						return c.fails
					})
					log = append(log, fmt.Sprint(site, " ", k.Since(start), " ", err))
				}
			}
			clock.Together(t.Context(), k, come("a", time.Second), come("c", 3*time.Second), come("b", 5*time.Second))
			// who comes last goes on first; the rest in the order of the courses
			sorted := fmt.Sprint(log)
			if c.leaves == 0 {
				sorted = fmt.Sprint([]string{log[0], log[2], log[3], log[1]})
			} else if c.leaves < 3*time.Second {
				sorted = fmt.Sprint([]string{log[0], log[2], log[1]})
			}
			if sorted != c.want {
				t.Errorf("%v", log)
			}
		})
	}
}

func TestPreparedOnce(t *testing.T) {
	pool := newPool(clock.NewVirtual(start), "psu")
	times, fault := 0, errors.New("its reset does not end")
	for _, site := range []string{"east", "west"} {
		party := pool.Join(site, nil, nil)
		held, release, _ := party.Hold(t.Context(), "psu")
		if err := party.Once(held, "psu", func(context.Context) error { times++; return fault }); !errors.Is(err, fault) {
			t.Errorf("%s: %v", site, err)
		}
		release()
	}
	if times != 1 {
		t.Errorf("prepared %d times", times)
	}
}
