package serial_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"fourwire/transport"
	"fourwire/transport/serial"
	"fourwire/transport/transporttest"
)

// pair returns a link to the one end of a pseudo-terminal, and the other.
func pair(t *testing.T, o transport.Options) (transport.Link, *os.File) {
	t.Helper()
	device, end, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	path := end.Name()
	link, err := serial.Open(context.Background(), transport.Address{Scheme: "serial", Path: path, Options: o}, nil)
	_ = end.Close() // after opening: with no end open, the terminal would be gone
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = link.Close(); _ = device.Close() })
	return link, device
}

func TestContract(t *testing.T) {
	for _, backend := range []transport.Backend{transport.ModemBackend, transport.PlainBackend} {
		t.Run(string(backend), func(t *testing.T) {
			transporttest.Run(t, func(t *testing.T, o transport.Options) (transport.Link, io.ReadWriteCloser) {
				o.Backend = backend
				return pair(t, o)
			})
		})
	}
}

func TestOpenTellsWhatIsWrong(t *testing.T) {
	file := filepath.Join(t.TempDir(), "no-port")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		path string
		o    transport.Options
		want string
	}{
		{"no such port", "/dev/no-such-port", transport.Options{}, "there is no port /dev/no-such-port"},
		{"no such port, plain", "/dev/no-such-port", transport.Options{Backend: transport.PlainBackend}, "there is no port"},
		{"a forgotten folder", "ttyNone0", transport.Options{}, "do you mean serial:///dev/ttyNone0?"},
		{"a file", file, transport.Options{}, "does not take the settings of a serial port"},
		{"a break on a plain port", file, transport.Options{Backend: transport.PlainBackend, Clear: transport.ClearByBreak}, "cannot send a break"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := serial.Open(context.Background(), transport.Address{Scheme: "serial", Path: c.path, Options: c.o}, nil)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q in it", err, c.want)
			}
		})
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := serial.Open(ctx, transport.Address{Scheme: "serial", Path: file}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// The settings of a pseudo-terminal are stored though nothing obeys them: they can be read back through its other end.
func TestLineSettings(t *testing.T) {
	for _, backend := range []transport.Backend{transport.ModemBackend, transport.PlainBackend} {
		t.Run(string(backend), func(t *testing.T) {
			_, device := pair(t, transport.Options{Backend: backend, Baud: 19200, Bits: 7, Parity: transport.EvenParity,
				Stop: transport.StopTwo, Flow: transport.RTSCTSFlow})
			raw, err := device.SyscallConn()
			if err != nil {
				t.Fatal(err)
			}
			var got *unix.Termios
			_ = raw.Control(func(fd uintptr) { got, err = unix.IoctlGetTermios(int(fd), unix.TCGETS) })
			if err != nil {
				t.Fatal(err)
			}
			for name, c := range map[string]struct{ mask, want uint32 }{
				"19200 bit/s": {unix.CBAUD, unix.B19200},
				"parity":      {unix.PARODD, 0},
				"two stops":   {unix.CSTOPB, unix.CSTOPB},
				"rts/cts":     {unix.CRTSCTS, unix.CRTSCTS},
			} {
				if got.Cflag&c.mask != c.want {
					t.Errorf("%s: control flags %#x", name, got.Cflag)
				}
			}
			if got.Lflag&(unix.ECHO|unix.ICANON|unix.ISIG) != 0 || got.Oflag&unix.OPOST != 0 || got.Iflag&(unix.ICRNL|unix.IXON) != 0 {
				t.Errorf("the port is not raw: %#x %#x %#x", got.Lflag, got.Oflag, got.Iflag)
			}
		})
	}
}

func TestClearByCtrlC(t *testing.T) {
	link, device := pair(t, transport.Options{Clear: transport.ClearByCtrlC, Quiet: 1})
	c, _ := transport.As[transport.Clearer](link)
	if err := c.Clear(context.Background()); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 1)
	if _, err := io.ReadFull(device, got); err != nil || got[0] != 0x03 {
		t.Errorf("the instrument got %q, %v", got, err)
	}
}
