package transport_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"fourwire/transport"
)

func ExampleParseAddress() {
	a, err := transport.ParseAddress("tcp://10.0.0.7:5025?end=crlf&gap=5ms")
	fmt.Println(a.Host, a.Options.End, a.Options.Gap, err)
	_, err = transport.ParseAddress("serial:COM3?buad=9600")
	fmt.Println(err)
	// Output:
	// 10.0.0.7:5025 crlf 5ms <nil>
	// address "serial:COM3?buad=9600": unknown option "buad"; do you mean baud?
}

func TestParseAddress(t *testing.T) {
	type A = transport.Address
	type O = transport.Options
	for _, c := range []struct {
		name, text string
		want       A
		canonical  string // "" is text itself
	}{
		{"a raw socket", "tcp://10.0.0.7:5025", A{Scheme: "tcp", Host: "10.0.0.7:5025"}, ""},
		{"without slashes", "tcp:10.0.0.7:5025", A{Scheme: "tcp", Host: "10.0.0.7:5025"}, "tcp://10.0.0.7:5025"},
		{"names have no case", "TCP://Meter-1.Lake:05025", A{Scheme: "tcp", Host: "meter-1.lake:5025"}, "tcp://meter-1.lake:5025"},
		{"IPv6 with a zone", "tcp://[fe80::7%Eth0]:5025", A{Scheme: "tcp", Host: "[fe80::7%Eth0]:5025"}, ""},
		{"a port on Linux", "serial:///dev/ttyUSB0?baud=115200&parity=none&flow=none&stop=1&bits=8",
			A{Scheme: "serial", Path: "/dev/ttyUSB0", Options: O{Baud: 115200, Parity: "none", Flow: "none", Stop: "1", Bits: 8}},
			"serial:///dev/ttyUSB0?baud=115200&bits=8&parity=none&stop=1&flow=none"},
		{"a path without the two slashes", "serial:/dev/ttyUSB0", A{Scheme: "serial", Path: "/dev/ttyUSB0"}, "serial:///dev/ttyUSB0"},
		{"a port on Windows", "serial:COM3", A{Scheme: "serial", Path: "COM3"}, ""},
		{"a relative path", "serial:meter.pty?backend=plain", A{Scheme: "serial", Path: "meter.pty", Options: O{Backend: "plain"}}, ""},
		{"a simulated instrument", "sim:meter1", A{Scheme: "sim", Path: "meter1"}, ""},
		{"all that any wire can have", "tcp://h:1?end=crlf&gap=5ms&echo=yes&single=yes&plainline=no&max=64MiB&quiet=1.5s&tail=50ms",
			A{Scheme: "tcp", Host: "h:1", Options: O{End: "crlf", Gap: 5 * time.Millisecond, Echo: "yes", Single: "yes", PlainLine: "no",
				Max: 64 << 20, Quiet: 1500 * time.Millisecond, Tail: 50 * time.Millisecond}},
			"tcp://h:1?end=crlf&gap=5ms&echo=yes&single=yes&plainline=no&max=67108864&quiet=1.5s&tail=50ms"},
		{"a pause stated to be none", "tcp://h:1?gap=0", A{Scheme: "tcp", Host: "h:1", Options: O{Gap: -1}}, ""},
		{"clearing", "serial:COM3?clear=ctrl-c&settle=2s", A{Scheme: "serial", Path: "COM3", Options: O{Clear: "ctrl-c", Settle: 2 * time.Second}}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := transport.ParseAddress(c.text)
			if err != nil || got != c.want {
				t.Fatalf("got  %+v, %v\nwant %+v", got, err, c.want)
			}
			if c.canonical == "" {
				c.canonical = c.text
			}
			if got.String() != c.canonical {
				t.Errorf("printed as %s, want %s", got, c.canonical)
			}
		})
	}
}

func TestParseAddressComplaints(t *testing.T) {
	for _, c := range []struct{ text, part, want string }{
		{"", "", "it is empty"},
		{"10.0.0.7:5025", "10.0.0.7", "do you mean tcp://10.0.0.7:5025?"},
		{"/dev/ttyUSB0", "/dev/ttyUSB0", "do you mean serial:///dev/ttyUSB0?"},
		{"COM3", "COM3", "do you mean serial:COM3?"},
		{"tpc://h:5025", "tpc", "do you mean tcp?"},
		{"serail:COM3", "serail", "do you mean serial?"},
		{"gopher://h:5025", "gopher", "begins with none of tcp://, serial: and sim:"},
		{"tcp://10.0.0.7", "//10.0.0.7", "the port is missing; many instruments listen on 5025: write tcp://10.0.0.7:5025"},
		{"tcp://:5025", "//:5025", "the host is missing"},
		{"tcp://h:0", "//h:0", `"0" is no port`},
		{"tcp://h:70000", "//h:70000", `"70000" is no port; a port is a number from 1 to 65535`},
		{"tcp://h:scpi", "//h:scpi", `"scpi" is no port`},
		{"tcp://fe80::7:5025", "//fe80::7:5025", "an IPv6 address in brackets"},
		{"tcp://h/path:5025", "//h/path:5025", "is no host"},
		{"serial:", "", "the port's name is missing"},
		{"serial://dev/ttyUSB0", "//dev/ttyUSB0", "write serial:///dev/ttyUSB0"},
		{"sim:", "", "name is missing"},
		{"serial:COM3?baud=fast", "baud=fast", `"fast" is no rate`},
		{"serial:COM3?baud=7", "baud=7", "is no rate"},
		{"serial:COM3?bits=9", "bits=9", "5 to 8 data bits"},
		{"serial:COM3?parity=evn", "parity=evn", "do you mean even?"},
		{"serial:COM3?end=CRLF", "end=CRLF", "do you mean crlf?"},
		{"serial:COM3?stop=3", "stop=3", `"3" is none of 1, 1.5, 2`},
		{"tcp://h:1?baud=9600", "baud=9600", "option baud is for serial ports only"},
		{"tcp://h:1?gap=5", "gap=5", "5 has no unit; write for instance 5ms"},
		{"tcp://h:1?gap=-5ms", "gap=-5ms", "is no pause"},
		{"tcp://h:1?gap", "gap", "option gap has no value"},
		{"tcp://h:1?max=2GiB", "max=2GiB", "is no size from 1 byte to 1GiB"},
		{"tcp://h:1?max=0", "max=0", "is no size"},
		{"tcp://h:1?frobnicate=1", "frobnicate=1", `unknown option "frobnicate"; known are end, gap, `},
		{"tcp://h:1?singel=yes", "singel=yes", "do you mean single?"},
	} {
		_, err := transport.ParseAddress(c.text)
		var complaint *transport.AddressError
		if !errors.As(err, &complaint) || !strings.Contains(err.Error(), c.want) || complaint.Text != c.text || complaint.Part != c.part {
			t.Errorf("%s: %v (part %+v), want %q in it", c.text, err, complaint, c.want)
		}
	}
	_, err := transport.ParseAddress("tcp://h?gap=5&end=lfcr")
	for _, want := range []string{"port is missing", "no unit", "lfcr"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("three faults at once: %v, want %q in it", err, want)
		}
	}
}

func TestWithDefaultsLeavesTheAddressTheLastWord(t *testing.T) {
	a, err := transport.ParseAddress("serial:COM3?gap=0&echo=no&baud=19200")
	if err != nil {
		t.Fatal(err)
	}
	var model transport.Options
	for _, o := range [][2]string{{"gap", "20ms"}, {"echo", "yes"}, {"end", "crlf"}, {"baud", "9600"}, {"stop", "2"}} {
		if err := model.Set(o[0], o[1]); err != nil {
			t.Fatal(err)
		}
	}
	if err := model.Set("ende", "lf"); err == nil || err.Error() != `unknown option "ende"; do you mean end?` {
		t.Errorf("a wrong option of a model: %v", err)
	}
	model.Max = 2 << 30 // more than text can ask for
	want := "serial:COM3?end=crlf&gap=0&echo=no&max=2147483648&baud=19200&stop=2"
	if got := a.WithDefaults(model).String(); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if a.Place() != "serial:COM3" {
		t.Errorf("place %s", a.Place())
	}
}

// What can be read must print as something that is read as the same again.
func FuzzParseAddress(f *testing.F) {
	for _, seed := range []string{"tcp://10.0.0.7:5025?end=crlf&gap=5ms", "serial:///dev/ttyUSB0?baud=9600&stop=1.5", "sim:meter1?max=1KiB",
		"serial:////x", "tcp://[::1%A]:1", "sim://a", "sim:///a?gap=0"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		a, err := transport.ParseAddress(text)
		if err != nil {
			return
		}
		again, err := transport.ParseAddress(a.String())
		if err != nil || again != a {
			t.Errorf("%q reads as %+v, prints as %q, and that reads as %+v, %v", text, a, a.String(), again, err)
		}
	})
}
