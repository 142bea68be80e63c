package guardian_test

import (
	"bufio"
	"context"
	"errors"
	"io"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"fourwire/driver/guardian"
	"fourwire/internal/clock"
	"fourwire/transport"
)

// far is the other side of a heart, as a test wants it.
type far struct {
	say   *io.PipeWriter // to the heart
	beats atomic.Int64
	lines chan string
	mute  atomic.Bool
	lost  chan error
	links atomic.Int64 // messages that came through to the instrument
}

func (f *far) tell(line string) { _, _ = io.WriteString(f.say, line+"\n") }

type counted struct{ n *atomic.Int64 }

func (c counted) Send(context.Context, []byte) error { c.n.Add(1); return nil }
func (c counted) Receive(context.Context, []byte) ([]byte, error) {
	return []byte("1"), nil
}
func (c counted) Close() error { return nil }

// hearts starts a heart, arms it, and lets a test look at it, in a bubble of faked time.
func hearts(t *testing.T, test func(h *guardian.Heart, l transport.Link, f *far)) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		h := guardian.NewHeart(clock.Real())
		fromHeart, to := io.Pipe()
		from, say := io.Pipe()
		f := &far{say: say, lines: make(chan string, 100), lost: make(chan error, 1)}
		go func() {
			lines := bufio.NewScanner(fromHeart)
			for lines.Scan() {
				switch line := lines.Text(); {
				case line == "beat":
					f.beats.Add(1)
					if !f.mute.Load() {
						f.tell("pulse")
					}
				case line == "arm":
					f.tell("armed")
				case strings.HasPrefix(line, "{"):
					f.tell("ready []")
				default:
					f.lines <- line
				}
			}
		}()
		link := h.Watch(counted{&f.links})
		if _, err := h.Start(ctx, to, from, guardian.Orders{}, func(err error) { f.lost <- err }); err != nil {
			t.Fatal(err)
		}
		if err := h.Arm(ctx); err != nil {
			t.Fatal(err)
		}
		test(h, link, f)
		cancel()
		_ = say.Close()
		_ = fromHeart.Close()
		synctest.Wait()
	})
}

func TestHeartBeatsWhileTheRunMakesProgress(t *testing.T) {
	hearts(t, func(h *guardian.Heart, l transport.Link, f *far) {
		count := func(d time.Duration) int64 {
			before := f.beats.Load()
			time.Sleep(d)
			synctest.Wait()
			return f.beats.Load() - before
		}
		usual := int64(guardian.Slack / guardian.BeatEvery)
		if n := count(10 * time.Second); n < usual-1 || n > usual+1 {
			t.Errorf("%d beats without any progress, want %d", n, usual)
		}
		if err := l.Send(context.Background(), []byte("*CLS")); err != nil {
			t.Fatal(err)
		}
		if n := count(10 * time.Second); n < usual-1 || n > usual+1 {
			t.Errorf("%d beats after one message, want %d", n, usual)
		}
		h.Busy(5 * time.Second)
		if want := usual + int64(5*time.Second/guardian.BeatEvery); count(20*time.Second) < want-1 {
			t.Errorf("fewer than %d beats in a pause that was announced", want)
		}
	})
}

func TestARelievedRunSendsNothing(t *testing.T) {
	hearts(t, func(h *guardian.Heart, l transport.Link, f *far) {
		f.tell("relieved no beat for 200ms")
		synctest.Wait()
		if err := l.Send(context.Background(), []byte("OUTP ON")); !errors.Is(err, guardian.ErrRelieved) || f.links.Load() != 0 {
			t.Errorf("%d messages went through, %v", f.links.Load(), err)
		}
		if err := <-f.lost; !errors.Is(err, guardian.ErrRelieved) || !errors.Is(h.Relieved(), guardian.ErrRelieved) {
			t.Errorf("told %v", err)
		}
		f.tell(`safe {"why":"no beat","switched":[{"instrument":"psu","off":true,"seconds":0.01}]}`)
		r, err := h.End(context.Background(), nil)
		if err != nil || r == nil || !r.Safe() || <-f.lines != "end" {
			t.Errorf("the report is %v, %v", r, err)
		}
	})
}

// A process that was stopped and wakes up finds old pulses only: it must wait for the news before it sends anything.
func TestASleeperWaitsForTheNews(t *testing.T) {
	hearts(t, func(h *guardian.Heart, l transport.Link, f *far) {
		f.mute.Store(true)
		time.Sleep(guardian.BeatWithin)
		sent := make(chan error, 1)
		go func() { sent <- l.Send(context.Background(), []byte("OUTP ON")) }()
		time.Sleep(50 * time.Millisecond)
		synctest.Wait()
		if f.links.Load() != 0 {
			t.Error("it was sent although nothing has been heard of the guardian for long")
		}
		f.tell("relieved too late")
		if err := <-sent; !errors.Is(err, guardian.ErrRelieved) {
			t.Errorf("got %v", err)
		}
	})
}

func TestAGuardianThatIsGoneIsNoticed(t *testing.T) {
	for name, end := range map[string]func(*far){
		"gone":         func(f *far) { _ = f.say.Close() },
		"stands still": func(f *far) { f.mute.Store(true) },
	} {
		t.Run(name, func(t *testing.T) {
			hearts(t, func(h *guardian.Heart, l transport.Link, f *far) {
				h.Busy(time.Minute)
				begun := time.Now()
				end(f)
				err := <-f.lost
				if took := time.Since(begun); !errors.Is(err, guardian.ErrGone) || took > guardian.PulseWithin+2*guardian.BeatEvery {
					t.Errorf("told %v after %v", err, took)
				}
				if err := l.Send(context.Background(), []byte("OUTP OFF")); err != nil || f.links.Load() != 1 {
					t.Errorf("the run must be able to switch off: %v", err)
				}
			})
		})
	}
}

// Of several courses of events each has to make progress: one that stands still ends the beat, whatever the others say; one that has ended is not waited for.
func TestEveryCourseHasToMakeProgress(t *testing.T) {
	hearts(t, func(h *guardian.Heart, l transport.Link, f *far) {
		count := func(d time.Duration) int64 {
			before := f.beats.Load()
			time.Sleep(d)
			synctest.Wait()
			return f.beats.Load() - before
		}
		usual := int64(guardian.Slack / guardian.BeatEvery)
		east, first := h.Course(t.Context())
		if err := l.Send(east, []byte("*CLS")); err != nil {
			t.Fatal(err)
		}
		_, second := h.Course(t.Context())
		second.Busy(5 * time.Second)
		talk := func(d time.Duration) { // east goes on all the time
			for range int(d / time.Second) {
				first.Busy(0) // as a message does
				time.Sleep(time.Second)
			}
		}
		before := f.beats.Load()
		talk(20 * time.Second)
		synctest.Wait()
		want := usual + int64(5*time.Second/guardian.BeatEvery)
		if n := f.beats.Load() - before; n < want-2 || n > want+2 {
			t.Errorf("%d beats while one course stands still, want %d", n, want)
		}
		second.End()
		before = f.beats.Load()
		talk(10 * time.Second)
		synctest.Wait()
		if n, all := f.beats.Load()-before, int64(10*time.Second/guardian.BeatEvery); n < all-2 {
			t.Errorf("%d beats without it, want %d", n, all)
		}
		first.End()
		if n := count(10 * time.Second); n > usual+1 {
			t.Errorf("%d beats when all courses have ended, want %d", n, usual)
		}
	})
}
