package scpi_test

import (
	"bufio"
	"bytes"
	"io"
	"net"
	"testing"
	"time"

	"fourwire/sim/scpi"
)

// lineSplitter is the floor: it finds each line and appends a constant answer, and does nothing else.
type lineSplitter struct {
	in, out []byte
}

func (l *lineSplitter) feed(p []byte) { l.in = append(l.in[:0], p...) }

func (l *lineSplitter) run() {
	l.out = l.out[:0]
	for rest := l.in; ; {
		n := bytes.IndexByte(rest, '\n')
		if n < 0 {
			return
		}
		l.out = append(l.out, "1.200000E+01\n"...)
		rest = rest[n+1:]
	}
}

// benchSupply is a source with two channels, as plain as a real one's command set.
func benchSupply(tb testing.TB) *scpi.Device {
	var volts [3]float64
	d, err := scpi.NewDevice(scpi.Options{Model: "Bench", Commands: []scpi.Command{
		{
			Pattern: "[SOURce[1..2]]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
			Params:  []scpi.Param{{Kind: scpi.Number, Unit: "V", Limits: scpi.Within(0, 30, 0)}},
			Set:     func(c *scpi.Call) error { volts[c.Suffix(0)] = c.Float(0); return nil },
			Query:   func(c *scpi.Call) error { c.Number(volts[c.Suffix(0)]); return nil },
		},
		{
			Pattern: "MEASure[:SCALar]:VOLTage[:DC]?",
			Query:   func(c *scpi.Call) error { c.Number(volts[1]); return nil },
		},
	}})
	if err != nil {
		tb.Fatal(err)
	}
	return d
}

// BenchmarkPipelined reports lines per second of this package and of the bare line-splitting loop, taken in turns in
// the same run, and their ratio (aim: 0.4).
func BenchmarkPipelined(b *testing.B) {
	for _, line := range []string{"VOLT 12.0\n", "VOLT?\n", "MEAS:VOLT?\n", "*OPC?\n", ":SOUR2:VOLT 11.75\n", "VOLT 12.0;:MEAS:VOLT?\n"} {
		b.Run(line[:len(line)-1], func(b *testing.B) {
			const lines = 1000
			chunk := bytes.Repeat([]byte(line), lines)
			s := benchSupply(b).Open(scpi.SessionOptions{})
			floor := &lineSplitter{}
			var ours, bare time.Duration
			b.ReportAllocs()
			for b.Loop() {
				start := b.Elapsed()
				s.Feed(chunk, false)
				s.Run(0)
				s.Output()
				middle := b.Elapsed()
				floor.feed(chunk)
				floor.run()
				ours, bare = ours+middle-start, bare+b.Elapsed()-middle
			}
			count := float64(b.N) * lines
			b.ReportMetric(count/ours.Seconds(), "lines/s")
			b.ReportMetric(count/bare.Seconds(), "bare-lines/s")
			b.ReportMetric(bare.Seconds()/ours.Seconds(), "ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// serveBare answers each line of a connection with a constant and flushes when no complete line is waiting.
func serveBare(c net.Conn, answer []byte) {
	in, out := bufio.NewReaderSize(c, 64<<10), bufio.NewWriterSize(c, 64<<10)
	for {
		if _, err := in.ReadSlice('\n'); err != nil {
			return
		}
		out.Write(answer)
		if in.Buffered() == 0 && out.Flush() != nil {
			return
		}
	}
}

// serveSession is the plainest server over a session.
func serveSession(s *scpi.Session) func(net.Conn) {
	return func(c net.Conn) {
		buffer := make([]byte, 64<<10)
		for {
			n, err := c.Read(buffer)
			if err != nil {
				return
			}
			for rest := buffer[:n]; len(rest) > 0; {
				rest = rest[s.Feed(rest, false):]
				s.Run(0)
				if out := s.Output(); len(out) > 0 {
					if _, err := c.Write(out); err != nil {
						return
					}
				}
			}
		}
	}
}

// BenchmarkServed sends pipelined lines over loopback TCP to a server of this package and to a bare line-splitting one,
// in turns.
func BenchmarkServed(b *testing.B) {
	const lines = 20000
	for _, line := range []string{"*OPC?", "MEAS:VOLT?", "VOLT 12.0;:MEAS:VOLT?"} {
		b.Run(line, func(b *testing.B) {
			chunk := bytes.Repeat([]byte(line+"\n"), lines)
			answer := len("1.200000E+01\n")
			if line == "*OPC?" {
				answer = len("1\n")
			}
			ours, stopOurs := dialServer(b, serveSession(benchSupply(b).Open(scpi.SessionOptions{})))
			defer stopOurs()
			bare, stopBare := dialServer(b, func(c net.Conn) { serveBare(c, []byte("1.200000E+01\n")[13-answer:]) })
			defer stopBare()
			var took [2]time.Duration
			for b.Loop() {
				for i, c := range [2]net.Conn{ours, bare} {
					start := b.Elapsed()
					exchange(b, c, chunk, lines*answer)
					took[i] += b.Elapsed() - start
				}
			}
			count := float64(b.N) * lines
			b.ReportMetric(count/took[0].Seconds(), "lines/s")
			b.ReportMetric(count/took[1].Seconds(), "bare-lines/s")
			b.ReportMetric(took[1].Seconds()/took[0].Seconds(), "ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

func dialServer(b *testing.B, serve func(net.Conn)) (client net.Conn, stop func()) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		if c, err := l.Accept(); err == nil {
			defer c.Close()
			serve(c)
		}
	}()
	if client, err = net.Dial("tcp", l.Addr().String()); err != nil {
		b.Fatal(err)
	}
	return client, func() { client.Close(); l.Close(); <-done }
}

// exchange writes everything and reads as many bytes as the answers have.
func exchange(b *testing.B, c net.Conn, out []byte, answers int) {
	go c.Write(out)
	if _, err := io.CopyN(io.Discard, c, int64(answers)); err != nil {
		b.Fatal(err)
	}
}
