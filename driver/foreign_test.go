package driver_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/quantity/measured"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// lakeworks is an instrument whose dialect was invented for this test, on a real socket: headers of its own, CR LF, plain numbers with a
// point, one connection, and messages lost that come within 5 ms of the last thing that happened. Each channel feeds 8 ohm.
type lakeworks struct {
	listener net.Listener
	done     sync.WaitGroup
	lost     int // messages that came too soon
	turned   int // connections turned away
	mu       sync.Mutex
	grabbed  bool
	channels [3]struct {
		volts, amps, over float64
		on, tripped       bool
	}
	fault string
	log   []string
}

func startLakeworks(t *testing.T) *lakeworks {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &lakeworks{listener: l, fault: "F00"}
	for i := range w.channels {
		w.channels[i].over = 25
	}
	w.done.Go(func() {
		busy := false
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			w.mu.Lock()
			taken := busy
			busy = true
			if taken {
				w.turned++
			}
			w.mu.Unlock()
			if taken {
				_ = conn.Close()
				continue
			}
			w.done.Go(func() {
				w.serve(conn)
				w.mu.Lock()
				busy = false
				w.mu.Unlock()
			})
		}
	})
	t.Cleanup(w.stop)
	return w
}

// stop waits until everything that was sent has been read.
func (w *lakeworks) stop() {
	_ = w.listener.Close()
	w.done.Wait()
}

func (w *lakeworks) serve(conn net.Conn) {
	defer conn.Close()
	c := clock.Real()
	last := time.Time{}
	lines := bufio.NewScanner(conn)
	lines.Split(func(data []byte, atEOF bool) (int, []byte, error) {
		if i := strings.Index(string(data), "\r\n"); i >= 0 {
			return i + 2, data[:i], nil
		}
		return 0, nil, nil
	})
	for lines.Scan() {
		now := c.Now()
		if !last.IsZero() && now.Sub(last) < time.Millisecond { // the gap is 5 ms; a busy computer hands a message over late by some of it
			w.mu.Lock()
			w.lost++
			w.mu.Unlock()
			continue
		}
		w.mu.Lock()
		answer := w.obey(lines.Text())
		w.mu.Unlock()
		if answer != "" {
			_, _ = conn.Write([]byte(answer + "\r\n"))
		}
		last = now
	}
}

func (w *lakeworks) obey(line string) string {
	w.log = append(w.log, line)
	verb, rest, _ := strings.Cut(line, " ")
	part := strings.Split(rest, ",")
	ch := 1
	if len(part) > 1 {
		ch, _ = strconv.Atoi(part[1])
	}
	if ch < 1 || ch > 2 {
		w.fault = "F03 CHANNEL"
		return ""
	}
	s := &w.channels[ch]
	volts, mode := 0.0, "IDLE"
	if s.on {
		volts, mode = s.volts, "REG-V"
		if s.volts/8 > s.amps {
			volts, mode = s.amps*8, "REG-I"
		}
		if volts > s.over {
			s.on, s.tripped, volts = false, true, 0
		}
	}
	if s.tripped {
		mode = "TRIP-OV"
	}
	switch verb {
	case "WHO":
		return "*** LAKE-WORKS / PX20 / 77 / R3 'blue'"
	case "FAULT":
		f := w.fault
		w.fault = "F00"
		return f
	case "GRAB":
		w.grabbed = true
	case "LETGO":
		w.grabbed = false
	case "SENSE":
		if part[0] == "V" {
			return fmt.Sprintf("V=%+.3f V", volts)
		}
		return fmt.Sprintf("I=%+.3f A", volts/8)
	case "TELL":
		switch part[0] {
		case "VSET":
			return fmt.Sprintf("VSET,%d,%.3f", ch, s.volts)
		case "ISET":
			return fmt.Sprintf("ISET,%d,%.0f", ch, s.amps*1000)
		case "OVP":
			return fmt.Sprintf("OVP,%d,%.2f", ch, s.over)
		case "OUT":
			return fmt.Sprintf("OUT,%d,%s", ch, map[bool]string{true: "Y", false: "N"}[s.on])
		case "STATE":
			return fmt.Sprintf("STATE,%d,%s", ch, mode)
		}
	case "PROG":
		if !w.grabbed {
			w.fault = "F01 NOT REMOTE"
			return ""
		}
		return w.program(part, ch)
	default:
		w.fault = "F02 VERB"
	}
	return ""
}

func (w *lakeworks) program(part []string, ch int) string {
	s := &w.channels[ch]
	x := 0.0
	if len(part) > 2 {
		x, _ = strconv.ParseFloat(part[2], 64)
	}
	switch part[0] {
	case "VSET":
		if x > 16 { // less than its data sheet says
			w.fault = "F17 VALUE"
			return ""
		}
		s.volts = x
	case "ISET":
		s.amps = x / 1000
	case "OVP":
		s.over = x
	case "CLR":
		s.tripped = false
	case "OUT":
		s.on = part[2] == "Y" && !s.tripped
	default:
		w.fault = "F04 WHAT"
	}
	return ""
}

// foreignModel reads the file that is all there is about the instrument.
func foreignModel(t testing.TB) *model.Model {
	t.Helper()
	const file = "testdata/lakeworks.model.yaml"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var found diag.Findings
	m := model.Read(file, data, &found)
	if m == nil || len(found.List()) > 0 {
		t.Fatal(found.List())
	}
	return m
}

func TestForeignInstrumentNeedsAFileOnly(t *testing.T) {
	w := startLakeworks(t)
	ctx, cancel := clock.Real().WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	m := foreignModel(t)
	address, err := transport.ParseAddress("tcp://" + w.listener.Addr().String())
	must(t, err)
	var fromModel transport.Options
	for _, o := range m.Wire.Options(address.Scheme) {
		must(t, fromModel.Set(o.Key, o.Value))
	}
	address = address.WithDefaults(fromModel)
	if want := "tcp://" + w.listener.Addr().String() + "?end=crlf&gap=5ms&single=yes&plainline=yes"; address.String() != want {
		t.Errorf("the address becomes %s, want %s", address, want)
	}
	var dialer dial.Dialer
	link, err := dialer.Dial(ctx, address)
	must(t, err)
	if _, err := dialer.Dial(ctx, address); !errors.Is(err, transport.ErrBusy) {
		t.Errorf("a second connection gives %v", err)
	}
	var ledger measured.Ledger
	in, err := driver.Open(ctx, driver.Config{Name: "px", Address: address.String(), Model: m, Link: link, Ledger: &ledger})
	must(t, err)
	if want := (driver.Identity{Maker: "LAKE-WORKS", Model: "PX20", Serial: "77", Firmware: "R3 'blue'"}); in.Identity() != want {
		t.Errorf("identity %+v", in.Identity())
	}
	must(t, in.Prepare(ctx))
	s, err := in.Source(2)
	must(t, err)
	must(t, s.SetProtection(ctx, 15, 0))
	must(t, s.SetAmps(ctx, 1.5))
	must(t, s.SetVolts(ctx, 10))
	must(t, s.Output(ctx, true))
	if st, err := s.Status(ctx); err != nil || !st.On || st.Mode != "CV" {
		t.Errorf("status %+v, %v", st, err)
	}
	volts, _ := in.Meter(2)
	amps, _ := in.Meter(2)
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 10}))
	must(t, amps.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 1}))
	v, err := volts.End(ctx)
	must(t, err)
	i, err := amps.End(ctx)
	must(t, err)
	if v.Value.X != 10 || i.Value.X != 1.25 || v.Value.Std() == 0 {
		t.Errorf("reads %v V, %v A", v.Value.X, i.Value.X)
	}
	must(t, s.SetAmps(ctx, 0.5))
	if st, err := s.Status(ctx); err != nil || st.Mode != "CC" {
		t.Errorf("status %+v, %v", st, err)
	}
	err = s.SetVolts(ctx, 18)
	if !errors.Is(err, ieee488.Entry{Number: 17, Text: "VALUE"}) {
		t.Errorf("a refusal gives %v", err)
	}
	if err := s.SetVolts(ctx, 24); !errors.As(err, new(*driver.LimitError)) {
		t.Errorf("a value above the model gives %v", err)
	}
	must(t, s.SetProtection(ctx, 3, 0))
	if st, err := s.Status(ctx); err != nil || st.On || len(st.Tripped) != 1 {
		t.Errorf("status %+v, %v", st, err)
	}
	if err := s.Output(ctx, true); !errors.Is(err, driver.ErrNotTaken) || !strings.Contains(err.Error(), "over-voltage") {
		t.Errorf("switching on while tripped gives %v", err)
	}
	if err := s.SetProtection(ctx, 0, 1); !errors.Is(err, driver.ErrNoAbility) {
		t.Errorf("an ability that the model lacks gives %v", err)
	}
	must(t, in.Release(ctx))
	must(t, in.Close())
	w.stop()
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.lost > 0 || w.grabbed || w.turned > 0 {
		t.Errorf("%d messages came too soon, %d connections too many; grabbed %v", w.lost, w.turned, w.grabbed)
	}
	if math.Abs(w.channels[1].volts) > 0 || w.channels[1].on {
		t.Errorf("channel 1 was touched: %+v", w.channels[1])
	}
	for _, want := range []string{"PROG VSET,2,10.000", "PROG ISET,2,1500", "PROG OVP,2,15.00"} {
		if !strings.Contains(strings.Join(w.log, "\n"), want) {
			t.Errorf("%q was never said", want)
		}
	}
}
