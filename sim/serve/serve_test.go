package serve_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/sim/serve"
)

// simple is a source with a resistor and a meter; commands take no time.
const simple = `fourwire: scenario/1
seed: 7
devices:
  r: {kind: resistor, plus: out, resistance: 10 ohm}
instruments:
  psu: {kind: source, identity: "Lakeside,Feed,S1,1", processing: 0 s}
  slow: {kind: source, identity: "Lakeside,Slow,S2,1", processing: 2 ms, quirks: {terminator: crlf, one_connection: yes}}
  dmm: {kind: meter, identity: "Lakeside,Meter,S3,1", processing: 100 us}
wiring:
  - {channel: psu, node: out, lead: 10 mohm}
  - {channel: slow, node: aux}
  - {channel: dmm, node: out}
`

func bench(t testing.TB) *sim.Bench {
	t.Helper()
	var found diag.Findings
	s := sim.Read("simple.yaml", []byte(simple), &found)
	if s == nil {
		t.Fatalf("%v", found.List())
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// start serves a bench and returns the actual addresses; the test's end stops it and waits.
func start(t testing.TB, b *sim.Bench, pace float64, endpoints ...serve.Endpoint) (addresses []string, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ready, done := make(chan []serve.Endpoint, 1), make(chan error, 1)
	go func() {
		done <- serve.Serve(ctx, b, serve.Options{Endpoints: endpoints, Pace: pace, Ready: func(e []serve.Endpoint) { ready <- e }})
	}()
	var once bool
	stop = func() {
		if once {
			return
		}
		once = true
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(stop)
	select {
	case list := <-ready:
		for _, e := range list {
			addresses = append(addresses, e.Address)
		}
	case err := <-done:
		done <- nil
		t.Fatal(err)
	}
	return addresses, stop
}

func dial(t testing.TB, address string) (net.Conn, *bufio.Reader) {
	t.Helper()
	c, err := net.Dial("tcp", strings.TrimPrefix(address, "tcp://"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c, bufio.NewReader(c)
}

func ask(t testing.TB, c io.Writer, r *bufio.Reader, message string) string {
	t.Helper()
	if _, err := io.WriteString(c, message+"\n"); err != nil {
		t.Fatal(err)
	}
	line, err := r.ReadString('\n')
	if err != nil {
		t.Fatalf("%q: %v after %q", message, err, line)
	}
	return line
}

func TestSocket(t *testing.T) {
	b := bench(t)
	addresses, stop := start(t, b, 0,
		serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"},
		serve.Endpoint{Instrument: "slow", Address: "tcp://127.0.0.1:0"},
		serve.Endpoint{Instrument: "dmm", Address: "tcp://127.0.0.1:0"})
	psu, psuIn := dial(t, addresses[0])
	if got := ask(t, psu, psuIn, "*IDN?\r"); got != "Lakeside,Feed,S1,1\n" {
		t.Errorf("identity %q", got)
	}
	fmt.Fprintf(psu, "VOLT 5;CURR 2;:OUTP ON\n")
	ask(t, psu, psuIn, "*OPC?")
	dmm, dmmIn := dial(t, addresses[2])
	ask(t, dmm, dmmIn, ":SENS:VOLT:APER 1;:MEAS:VOLT?") // a second of simulated time
	if got := ask(t, dmm, dmmIn, "MEAS:VOLT?"); !strings.HasPrefix(got, "4.9") {
		t.Errorf("reading %q", got)
	}
	slow, slowIn := dial(t, addresses[1])
	if got := ask(t, slow, slowIn, "*IDN?"); got != "Lakeside,Slow,S2,1\r\n" {
		t.Errorf("terminator: %q", got)
	}
	_, secondIn := dial(t, addresses[1])
	if _, err := secondIn.ReadByte(); err != io.EOF {
		t.Errorf("a second connection to an instrument that takes one: %v", err)
	}
	stop()
	if _, err := psuIn.ReadByte(); err == nil {
		t.Error("the connection is still open after the end")
	}
	if _, err := net.Dial("tcp", strings.TrimPrefix(addresses[0], "tcp://")); err == nil {
		t.Error("the port is still open after the end")
	}
}

func TestSessionsShareTheInstrumentButNotTheParser(t *testing.T) {
	addresses, _ := start(t, bench(t), 0, serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"})
	one, oneIn := dial(t, addresses[0])
	two, twoIn := dial(t, addresses[0])
	fmt.Fprint(one, "VOLT 3.5;VOL") // half a command
	if got := ask(t, two, twoIn, "VOLT?"); got != "0.00000000E+00\n" && got != "3.50000000E+00\n" {
		t.Errorf("the other connection reads %q", got)
	}
	if got := ask(t, one, oneIn, "T 4;VOLT?"); got != "4.00000000E+00\n" {
		t.Errorf("a split message gives %q", got)
	}
	if got := ask(t, two, twoIn, "VOLT?"); got != "4.00000000E+00\n" {
		t.Errorf("the other connection reads %q", got)
	}
	one.Close()
	if got := ask(t, two, twoIn, "*IDN?"); got != "Lakeside,Feed,S1,1\n" {
		t.Errorf("after the first has gone: %q", got)
	}
}

func TestHalfClosedConnectionGetsItsAnswers(t *testing.T) {
	addresses, _ := start(t, bench(t), 0, serve.Endpoint{Instrument: "slow", Address: "tcp://127.0.0.1:0"})
	c, in := dial(t, addresses[0])
	fmt.Fprint(c, "MEAS:VOLT?\n*IDN?\n")
	if err := c.(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(in)
	if err != nil || strings.Count(string(text), "\r\n") != 2 || !strings.HasSuffix(string(text), "Lakeside,Slow,S2,1\r\n") {
		t.Errorf("%q %v", text, err)
	}
}

func TestWrongEndpoints(t *testing.T) {
	for address, want := range map[string]string{
		"sim:psu":                  "only tcp:// and serial://",
		"udp://x:1":                "begins with none of",
		"tcp://127.0.0.1:notaport": "notaport",
	} {
		err := serve.Serve(context.Background(), bench(t), serve.Options{Endpoints: []serve.Endpoint{{Instrument: "psu", Address: address}}})
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "psu") {
			t.Errorf("%s: %v", address, err)
		}
	}
	err := serve.Serve(context.Background(), bench(t), serve.Options{Endpoints: []serve.Endpoint{{Instrument: "pus", Address: "tcp://127.0.0.1:0"}}})
	if err == nil || !strings.Contains(err.Error(), "no instrument \"pus\"") {
		t.Errorf("an unknown instrument: %v", err)
	}
}

func TestSerialPort(t *testing.T) {
	path := filepath.Join(t.TempDir(), "psu.port")
	if err := os.Symlink("/nowhere/left-over", path); err != nil {
		t.Skip("no links here")
	}
	b := bench(t)
	addresses, stop := start(t, b, 0, serve.Endpoint{Instrument: "psu", Address: "serial://" + path})
	beside, err := b.Connect("psu", nil)
	if err != nil {
		t.Fatal(err)
	}
	if addresses[0] != "serial://"+path {
		t.Errorf("address %q", addresses[0])
	}
	for run := range 2 { // programs come and go
		port, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		in := bufio.NewReader(port)
		if got := ask(t, port, in, "*IDN?"); got != "Lakeside,Feed,S1,1\n" {
			t.Errorf("identity %q", got)
		}
		fmt.Fprintf(port, "*ESE %d;*ES", run+3) // half a message, a device clear, a query
		for want := fmt.Sprintf("%d\n", run+3); ; {
			if answer, _ := beside.Exchange([]byte("*ESE?\n"), nil); string(answer) == want {
				break
			}
			runtime.Gosched()
		}
		if got := ask(t, port, in, "\x03VOLT?"); got != "0.00000000E+00\n" {
			t.Errorf("after a device clear: %q", got)
		}
		port.Close()
	}
	stop()
	if _, err := os.Lstat(path); !os.IsNotExist(err) {
		t.Errorf("the link is left behind: %v", err)
	}
	if err := os.WriteFile(path, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	err = serve.Serve(context.Background(), bench(t), serve.Options{Endpoints: []serve.Endpoint{{Instrument: "psu", Address: "serial://" + path}}})
	if err == nil || !strings.Contains(err.Error(), "is no link") {
		t.Errorf("a file in the way: %v", err)
	}
}

func TestPacedTimeFollowsTheClock(t *testing.T) {
	b := bench(t)
	addresses, _ := start(t, b, 1000, serve.Endpoint{Instrument: "dmm", Address: "tcp://127.0.0.1:0"})
	c, in := dial(t, addresses[0])
	before := b.Clock().Now()
	ask(t, c, in, ":SENS:VOLT:APER 5;:MEAS:VOLT?") // five simulated seconds, five real milliseconds
	if gone := b.Clock().Since(before); gone < 5*time.Second {
		t.Errorf("%v of simulated time have passed in an aperture of 5 s", gone)
	}
}

// The server against a bare one that splits lines, in the same run: figures are quoted as a ratio. Pipelined set commands, one query at
// the end of each batch.
func BenchmarkPipelined(b *testing.B) {
	message := []byte(strings.Repeat("VOLT 5\n", 1000) + "*OPC?\n")
	run := func(b *testing.B, address string) {
		c, in := dial(b, address)
		b.SetBytes(int64(len(message)))
		for b.Loop() {
			if _, err := c.Write(message); err != nil {
				b.Fatal(err)
			}
			if _, err := in.ReadString('\n'); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.N)*1001/b.Elapsed().Seconds()/1e6, "Mcommands/s")
	}
	b.Run("bare", func(b *testing.B) { run(b, bare(b)) })
	b.Run("sim", func(b *testing.B) {
		addresses, _ := start(b, bench(b), 0, serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"})
		run(b, addresses[0])
	})
}

// Pipelined queries, each with its answer.
func BenchmarkPipelinedQueries(b *testing.B) {
	const n = 1000
	message := []byte(strings.Repeat("VOLT?\n", n))
	run := func(b *testing.B, address string) {
		c, in := dial(b, address)
		for b.Loop() {
			if _, err := c.Write(message); err != nil {
				b.Fatal(err)
			}
			for range n {
				if _, err := in.ReadSlice('\n'); err != nil {
					b.Fatal(err)
				}
			}
		}
		b.ReportMetric(float64(b.N)*n/b.Elapsed().Seconds()/1e6, "Mqueries/s")
	}
	b.Run("bare", func(b *testing.B) { run(b, bare(b)) })
	b.Run("sim", func(b *testing.B) {
		addresses, _ := start(b, bench(b), 0, serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"})
		run(b, addresses[0])
	})
}

// bare answers every line that holds a question mark, and flushes when its input is used up.
func bare(b *testing.B) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		in, out := bufio.NewReaderSize(c, 64<<10), bufio.NewWriterSize(c, 64<<10)
		for {
			line, err := in.ReadSlice('\n')
			if err != nil {
				return
			}
			if line[len(line)-2] == '?' {
				out.WriteString("5.00000000E+00\n")
			}
			if in.Buffered() == 0 {
				out.Flush()
			}
		}
	}()
	return "tcp://" + l.Addr().String()
}

func TestInProcessAndSocketAgree(t *testing.T) {
	commands := []string{"VOLT 5;CURR 2;:OUTP ON;*OPC?", "VOLT?", "MEAS:VOLT?", "MEAS:CURR?", "CURR 0.2;:SENS:VOLT:APER 1;:INIT;*OPC?", "MEAS:VOLT?", "STAT:QUES:COND?", "BAD?;:VOLT?", "SYST:ERR?"}
	inside := bench(t)
	link, err := inside.Link("psu")
	if err != nil {
		t.Fatal(err)
	}
	addresses, _ := start(t, bench(t), 0, serve.Endpoint{Instrument: "psu", Address: "tcp://127.0.0.1:0"})
	c, in := dial(t, addresses[0])
	for _, command := range commands {
		if strings.HasPrefix(command, "BAD") { // no answer
			_ = link.Send(context.Background(), []byte(command))
			fmt.Fprintln(c, command)
			continue
		}
		if err := link.Send(context.Background(), []byte(command)); err != nil {
			t.Fatal(err)
		}
		want, err := link.Receive(context.Background(), nil)
		if err != nil {
			t.Fatal(err)
		}
		_ = inside.Clock().Sleep(context.Background(), 10*time.Millisecond)
		if got := ask(t, c, in, command); got != string(want)+"\n" {
			t.Errorf("%s: %q over the socket, %q in process", command, got, want)
		}
	}
}
