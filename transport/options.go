package transport

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Options say how an instrument's interface behaves. The zero value of each field means that nothing is stated, so that a model's can be
// filled in by Address.WithDefaults. Pauses below zero mean none, whatever a model says.
type Options struct {
	End       End           // what ends a message sent; end=lf (the default), crlf, cr. With cr, a response ends at a CR too
	Gap       time.Duration // least pause before each message; gap=5ms
	Echo      Switch        // the instrument sends each message back first; echo=yes
	Single    Switch        // the instrument takes one connection at a time; single=yes
	PlainLine Switch        // responses are lines whatever quotes and blocks they have; plainline=yes
	Max       int           // longest response in bytes; max=64MiB. The default is 1 MiB of text and 256 MiB of blocks
	Quiet     time.Duration // silence that ends a clear and an indefinite block; quiet=200ms is the default
	Tail      time.Duration // how long to wait for the line end after a block, where there may be none; the default is for as long as it takes

	// For serial ports only.
	Baud    int           // bits per second; 9600 where none is stated
	Bits    int           // data bits: 5 to 8; the default is 8
	Parity  Parity        // parity=none (the default), odd, even, mark, space
	Stop    Stop          // stop bits: stop=1 (the default), 1.5, 2
	Flow    Flow          // flow=none (the default), rtscts, xonxoff
	Backend Backend       // backend=modem (the default), or plain for ports without modem lines
	Clear   ClearBy       // what clears the interface: clear=quiet (the default: waiting for silence), ctrl-c, break
	Settle  time.Duration // pause after opening, for adapters whose opening resets the instrument's interface; settle=2s
}

// Words that options take. The empty word is "not stated".
type (
	End     string
	Parity  string
	Stop    string
	Flow    string
	Backend string
	ClearBy string
)

// The words.
const (
	LF   End = "lf"
	CRLF End = "crlf"
	CR   End = "cr"

	NoParity    Parity = "none"
	OddParity   Parity = "odd"
	EvenParity  Parity = "even"
	MarkParity  Parity = "mark"
	SpaceParity Parity = "space"

	StopOne     Stop = "1"
	StopOneHalf Stop = "1.5"
	StopTwo     Stop = "2"

	NoFlow      Flow = "none"
	RTSCTSFlow  Flow = "rtscts"
	XONXOFFFlow Flow = "xonxoff"

	ModemBackend Backend = "modem"
	PlainBackend Backend = "plain"

	ClearByQuiet ClearBy = "quiet"
	ClearByCtrlC ClearBy = "ctrl-c"
	ClearByBreak ClearBy = "break"
)

// Switch is yes, no, or not stated.
type Switch string

// The states of a Switch.
const (
	Yes Switch = "yes"
	No  Switch = "no"
)

// bytes returns the terminator.
func (e End) bytes() []byte {
	switch e {
	case CRLF:
		return []byte("\r\n")
	case CR:
		return []byte("\r")
	}
	return []byte("\n")
}

// Set reads one option from text, as it stands in an address. The error names the closest known option or value.
func (o *Options) Set(key, value string) error { return o.set("serial", key, value) }

func (o *Options) set(scheme, key, value string) error {
	var keys []string
	for _, known := range optionTable() {
		keys = append(keys, known.key)
		if known.key != key {
			continue
		}
		if known.serial && scheme != "serial" {
			return fmt.Errorf("option %s is for serial ports only", key)
		}
		if value == "" {
			return fmt.Errorf("option %s has no value", key)
		}
		if err := known.set(o, value); err != nil {
			return fmt.Errorf("option %s: %w", key, err)
		}
		return nil
	}
	if word := closest(key, keys); word != "" {
		return fmt.Errorf("unknown option %q; do you mean %s?", key, word)
	}
	return fmt.Errorf("unknown option %q; known are %s", key, strings.Join(keys, ", "))
}

// option is one entry of the table of options: how its text is read, and printed ("" is not stated).
type option struct {
	key    string
	serial bool
	set    func(*Options, string) error
	get    func(*Options) string
	copy   func(to, from *Options)
}

func optionTable() []option {
	return []option{
		wordOption("end", false, func(o *Options) *End { return &o.End }, LF, CRLF, CR),
		pauseOption("gap", false, func(o *Options) *time.Duration { return &o.Gap }),
		wordOption("echo", false, func(o *Options) *Switch { return &o.Echo }, Yes, No),
		wordOption("single", false, func(o *Options) *Switch { return &o.Single }, Yes, No),
		wordOption("plainline", false, func(o *Options) *Switch { return &o.PlainLine }, Yes, No),
		numberOption("max", false, func(o *Options) *int { return &o.Max }, size),
		pauseOption("quiet", false, func(o *Options) *time.Duration { return &o.Quiet }),
		pauseOption("tail", false, func(o *Options) *time.Duration { return &o.Tail }),
		numberOption("baud", true, func(o *Options) *int { return &o.Baud }, baud),
		numberOption("bits", true, func(o *Options) *int { return &o.Bits }, bits),
		wordOption("parity", true, func(o *Options) *Parity { return &o.Parity }, NoParity, OddParity, EvenParity, MarkParity, SpaceParity),
		wordOption("stop", true, func(o *Options) *Stop { return &o.Stop }, StopOne, StopOneHalf, StopTwo),
		wordOption("flow", true, func(o *Options) *Flow { return &o.Flow }, NoFlow, RTSCTSFlow, XONXOFFFlow),
		wordOption("backend", true, func(o *Options) *Backend { return &o.Backend }, ModemBackend, PlainBackend),
		wordOption("clear", true, func(o *Options) *ClearBy { return &o.Clear }, ClearByQuiet, ClearByCtrlC, ClearByBreak),
		pauseOption("settle", true, func(o *Options) *time.Duration { return &o.Settle }),
	}
}

func wordOption[W ~string](key string, serial bool, field func(*Options) *W, words ...W) option {
	set := func(o *Options, text string) error {
		var known []string
		for _, word := range words {
			if string(word) == text {
				*field(o) = word
				return nil
			}
			known = append(known, string(word))
		}
		if word := closest(strings.ToLower(text), known); word != "" {
			return fmt.Errorf("%q is none of %s; do you mean %s?", text, strings.Join(known, ", "), word)
		}
		return fmt.Errorf("%q is none of %s", text, strings.Join(known, ", "))
	}
	get := func(o *Options) string { return string(*field(o)) }
	return option{key, serial, set, get, func(to, from *Options) { *field(to) = *field(from) }}
}

func pauseOption(key string, serial bool, field func(*Options) *time.Duration) option {
	set := func(o *Options, text string) error {
		d, err := time.ParseDuration(text)
		if _, bare := strconv.ParseFloat(text, 64); err != nil && bare == nil {
			return fmt.Errorf("%s has no unit; write for instance %sms", text, text)
		}
		if err != nil || d < 0 {
			return fmt.Errorf("%q is no pause; write for instance 5ms or 2s", text)
		}
		if d == 0 {
			d = -1 // stated to be none
		}
		*field(o) = d
		return nil
	}
	get := func(o *Options) string {
		switch d := *field(o); {
		case d == 0:
			return ""
		case d < 0:
			return "0"
		default:
			return d.String()
		}
	}
	return option{key, serial, set, get, func(to, from *Options) { *field(to) = *field(from) }}
}

func numberOption(key string, serial bool, field func(*Options) *int, read func(string) (int, error)) option {
	set := func(o *Options, text string) (err error) {
		n, err := read(text)
		if err == nil {
			*field(o) = n
		}
		return err
	}
	get := func(o *Options) string {
		if *field(o) == 0 {
			return ""
		}
		return strconv.Itoa(*field(o))
	}
	return option{key, serial, set, get, func(to, from *Options) { *field(to) = *field(from) }}
}

func size(text string) (int, error) {
	digits, factor := text, 1
	for _, unit := range []struct {
		name   string
		factor int
	}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}} {
		if cut, ok := strings.CutSuffix(text, unit.name); ok {
			digits, factor = cut, unit.factor
		}
	}
	n, err := strconv.Atoi(digits)
	if err != nil || n <= 0 || n > 1<<30/factor {
		return 0, fmt.Errorf("%q is no size from 1 byte to 1GiB; write for instance 4096 or 64MiB", text)
	}
	return n * factor, nil
}

// baud takes any whole number: adapters know far more rates than a table would.
func baud(text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < 50 || n > 12_000_000 {
		return 0, fmt.Errorf("%q is no rate in bits per second; usual ones are 9600, 19200, 38400, 57600 and 115200", text)
	}
	return n, nil
}

func bits(text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < 5 || n > 8 {
		return 0, errors.New("a character has 5 to 8 data bits, mostly 8")
	}
	return n, nil
}
