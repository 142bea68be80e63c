package transporttest_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"fourwire/transport"
	"fourwire/transport/transporttest"
)

func ExampleNewScript() {
	link := transporttest.NewScript(
		transporttest.Sent("MEAS:VOLT?"),
		transporttest.Answer("4.9983"),
		transporttest.Sent("OUTP OFF"),
	)
	ctx := context.Background()
	_ = link.Send(ctx, []byte("MEAS:VOLT?"))
	answer, _ := link.Receive(ctx, nil)
	fmt.Printf("%s\n%v\n", answer, link.Close())
	// Output:
	// 4.9983
	// 1 of 3 steps of the script were not played; the next is > "OUTP OFF"
}

// sweep sets and reads three voltages, and switches off whatever happens.
func sweep(ctx context.Context, link transport.Link) (err error) {
	defer func() { err = errors.Join(err, link.Send(ctx, []byte("OUTP OFF"))) }()
	for _, volts := range []string{"9", "12", "16"} {
		if err := link.Send(ctx, []byte("VOLT "+volts)); err != nil {
			return err
		}
		if err := link.Send(ctx, []byte("VOLT?")); err != nil {
			return err
		}
		if _, err := link.Receive(ctx, nil); err != nil {
			return err
		}
	}
	return nil
}

// supply is a link to a supply that answers its last set voltage.
type supply struct {
	got   []string
	owing int
}

func (s *supply) Send(_ context.Context, msg []byte) error {
	s.got = append(s.got, string(msg))
	s.owing += strings.Count(string(msg), "?")
	return nil
}

func (s *supply) Receive(_ context.Context, into []byte) ([]byte, error) {
	s.owing--
	return append(into[:0], "12"...), nil
}

func (s *supply) Close() error { return nil }

func TestFailAtBreaksEachMessageOnce(t *testing.T) {
	for k := 1; ; k++ {
		device := &supply{}
		link := transporttest.FailAt(k, device)
		err := sweep(context.Background(), link)
		if !link.Fired() {
			if k != 11 { // three voltages of three messages each, and the switching off
				t.Errorf("the undisturbed run was number %d, want 11", k)
			}
			if err != nil || link.Where() != "" {
				t.Errorf("undisturbed: %v, %q", err, link.Where())
			}
			return
		}
		if !errors.Is(err, transport.ErrTimeout) || !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("message %d broken: %v", k, err)
		}
		if last := device.got[len(device.got)-1]; last != "OUTP OFF" && k != 10 {
			t.Errorf("message %d broken (%s): the last one to arrive is %q", k, link.Where(), last)
		}
		if device.owing != 0 {
			t.Errorf("message %d broken: %d answers are left in the link", k, device.owing)
		}
	}
}

func TestFaultOverSeveralLinksAndDeadWire(t *testing.T) {
	ctx := context.Background()
	fault := transporttest.NewFault(2)
	fault.Dead = true
	first, second := fault.Wrap(&supply{}), fault.Wrap(&supply{})
	if err := first.Send(ctx, []byte("VOLT 1")); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := second.Send(ctx, []byte("VOLT 2")); !errors.Is(err, transport.ErrLost) {
			t.Errorf("on a wire that is cut: %v", err)
		}
	}
	if err := first.Send(ctx, []byte("OUTP OFF")); err != nil {
		t.Errorf("the other wire: %v", err)
	}
	if want := `message 2, sent "VOLT 2"`; fault.Where() != want {
		t.Errorf("where: %q, want %q", fault.Where(), want)
	}
	own := errors.New("the error of a test")
	fault = transporttest.NewFault(1)
	fault.Err = own
	if _, err := fault.Wrap(&supply{}).Receive(ctx, nil); !errors.Is(err, own) {
		t.Errorf("got %v", err)
	}
}

func TestScriptNoticesWhatIsNotInIt(t *testing.T) {
	ctx := context.Background()
	own := errors.New("the error of a test")
	done, cancel := context.WithCancel(ctx)
	cancel()
	for _, c := range []struct {
		name  string
		steps []transporttest.Step
		play  func(*transporttest.Script) error
		want  string // in the error of Close; "" is none
	}{
		{"another message", []transporttest.Step{transporttest.Sent("VOLT 5")},
			func(s *transporttest.Script) error { return s.Send(ctx, []byte("VOLT 72")) }, `"VOLT 72" was sent, and the script says > "VOLT 5"`},
		{"an answer where none is", []transporttest.Step{transporttest.Sent("VOLT 5")},
			func(s *transporttest.Script) error { _, err := s.Receive(ctx, nil); return err }, "an answer was asked for"},
		{"a message after the end", nil,
			func(s *transporttest.Script) error { return s.Send(ctx, []byte("VOLT 5")) }, "the script is over"},
		{"a failure that was planned", []transporttest.Step{transporttest.Failure(own)},
			func(s *transporttest.Script) error {
				if err := s.Send(ctx, []byte("X")); !errors.Is(err, own) {
					return nil
				}
				return own
			}, ""},
		{"a done context plays nothing", []transporttest.Step{transporttest.Sent("VOLT 5")},
			func(s *transporttest.Script) error { return s.Send(done, []byte("VOLT 5")) }, "1 of 1 steps"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := transporttest.NewScript(c.steps...)
			if err := c.play(s); err == nil {
				t.Error("the call succeeded")
			}
			err := s.Close()
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("close: %v, want %q", err, c.want)
			}
			if s.Close() != nil {
				t.Error("a second close complains again")
			}
			if err := s.Send(ctx, []byte("VOLT 5")); !errors.Is(err, transport.ErrClosed) {
				t.Errorf("after close: %v", err)
			}
		})
	}
}

func TestRecordingIsAScript(t *testing.T) {
	ctx := context.Background()
	recorder := transporttest.Record(&supply{})
	if err := sweep(ctx, recorder); err != nil {
		t.Fatal(err)
	}
	script, err := transporttest.ParseScript(recorder.String())
	if err != nil {
		t.Fatalf("%v in\n%s", err, recorder)
	}
	if err := errors.Join(sweep(ctx, script), script.Close()); err != nil {
		t.Error(err)
	}
	for _, bad := range []string{"> VOLT", "= \"VOLT\"", ">"} {
		if _, err := transporttest.ParseScript("\n" + bad); err == nil || !strings.Contains(err.Error(), "line 2") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}
