package transport

import (
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"

	"fourwire/internal/spelling"
)

// Address says where an instrument is and how its interface behaves. It is comparable, and its text is read back by ParseAddress.
//
//	tcp://HOST:PORT          a raw socket
//	serial:///dev/ttyUSB0    a serial port; also serial:COM3, and serial:meter.pty relative to a folder the dialer knows
//	sim:NAME                 an instrument of a simulated bench in this process
//
// followed by options, as in tcp://10.0.0.7:5025?end=crlf&gap=5ms; see Options.
type Address struct {
	Scheme  string // tcp, serial or sim
	Host    string // tcp: host and port
	Path    string // serial: the port's name; sim: the instrument's
	Options Options
}

// AddressError is one complaint about the text of an address.
type AddressError struct {
	Text    string // the whole address
	Part    string // the part that is wrong
	Problem string // what is wrong with it
	Hint    string // what to write instead; may be empty
}

// Error returns text, problem and hint.
func (e *AddressError) Error() string {
	text := fmt.Sprintf("address %q: %s", e.Text, e.Problem)
	if e.Hint != "" {
		text += "; " + e.Hint
	}
	return text
}

// ParseAddress reads an address. All that is wrong with it is reported at once: the error is one *AddressError, or several joined.
func ParseAddress(text string) (Address, error) {
	where, query, asked := strings.Cut(text, "?")
	scheme, rest, found := strings.Cut(where, ":")
	var a Address
	complain := func(part, problem, hint string) error {
		return &AddressError{Text: text, Part: part, Problem: problem, Hint: hint}
	}
	known := []string{"tcp", "serial", "sim"}
	a.Scheme = strings.ToLower(scheme)
	switch {
	case strings.TrimSpace(text) == "":
		return Address{}, complain(text, "it is empty", "write for instance tcp://10.0.0.7:5025 or serial:///dev/ttyUSB0")
	case !found || a.Scheme != "tcp" && a.Scheme != "serial" && a.Scheme != "sim":
		return Address{}, complain(scheme, "it begins with none of tcp://, serial: and sim:", guess(where, scheme, known))
	}

	var problems []error
	problem, hint := a.place(rest)
	if problem != "" {
		problems = append(problems, complain(rest, problem, hint))
	}
	if asked {
		for option := range strings.SplitSeq(query, "&") {
			key, value, _ := strings.Cut(option, "=")
			if err := a.Options.set(a.Scheme, key, value); err != nil {
				problems = append(problems, complain(option, err.Error(), ""))
			}
		}
	}
	if len(problems) == 1 {
		return Address{}, problems[0]
	}
	if len(problems) > 1 {
		return Address{}, errors.Join(problems...)
	}
	return a, nil
}

// place reads what stands between the scheme and the options.
func (a *Address) place(rest string) (problem, hint string) {
	slashed, hasSlashes := strings.CutPrefix(rest, "//")
	switch a.Scheme {
	case "tcp":
		host, port, err := net.SplitHostPort(slashed)
		number, bad := strconv.ParseUint(port, 10, 16)
		switch {
		case err != nil && strings.Contains(err.Error(), "missing port"):
			return "the port is missing", "many instruments listen on 5025: write tcp://" + slashed + ":5025"
		case err != nil:
			return "host and port cannot be told apart", "write tcp://HOST:PORT, and an IPv6 address in brackets, as in tcp://[fe80::7]:5025"
		case host == "":
			return "the host is missing", "write tcp://HOST:" + port
		case strings.ContainsAny(host, "/@ \t"):
			return fmt.Sprintf("%q is no host", host), "write tcp://HOST:PORT and nothing more"
		case bad != nil || number == 0:
			return fmt.Sprintf("%q is no port", port), "a port is a number from 1 to 65535"
		}
		if !strings.Contains(host, "%") { // the zone of an IPv6 address keeps its case
			host = strings.ToLower(host)
		}
		a.Host = net.JoinHostPort(host, strconv.FormatUint(number, 10))
	case "serial":
		a.Path = rest
		if hasSlashes {
			a.Path = slashed
			if slashed != "" && slashed[0] != '/' {
				return fmt.Sprintf("after serial:// a path begins with a slash, %q does not", slashed),
					"write serial:///" + slashed + " for a path from the root, serial:" + slashed + " for a port's name or a relative path"
			}
		}
		if a.Path == "" {
			return "the port's name is missing", "write for instance serial:///dev/ttyUSB0 or serial:COM3"
		}
	case "sim":
		a.Path = slashed
		if a.Path == "" {
			return "the simulated instrument's name is missing", "write for instance sim:meter1"
		}
	}
	return "", ""
}

// guess suggests an address for text that has no known scheme.
func guess(where, scheme string, known []string) string {
	_, port, err := net.SplitHostPort(where)
	_, notNumber := strconv.ParseUint(port, 10, 16)
	switch {
	case err == nil && port != "" && notNumber == nil:
		return "do you mean tcp://" + where + "?"
	case strings.HasPrefix(where, "/"):
		return "do you mean serial://" + where + "?"
	case len(where) > 3 && strings.EqualFold(where[:3], "COM"):
		return "do you mean serial:" + where + "?"
	}
	if word := closest(strings.ToLower(scheme), known); word != "" {
		return "do you mean " + word + "?"
	}
	return ""
}

// String returns the address in its canonical form, with the options that are stated, in a fixed order.
func (a Address) String() string {
	var b strings.Builder
	b.WriteString(a.Place())
	separator := byte('?')
	for _, o := range optionTable() {
		if value := o.get(&a.Options); value != "" {
			b.WriteByte(separator)
			b.WriteString(o.key + "=" + value)
			separator = '&'
		}
	}
	return b.String()
}

// Place returns the address without its options: two addresses with the same place lead to the same instrument.
func (a Address) Place() string {
	switch {
	case a.Scheme == "tcp":
		return "tcp://" + a.Host
	case strings.HasPrefix(a.Path, "/"):
		return a.Scheme + "://" + a.Path
	}
	return a.Scheme + ":" + a.Path
}

// WithDefaults returns the address with the options of d where it states none itself. What an instrument's model says about its interface comes
// in this way: the address of the bench has the last word.
func (a Address) WithDefaults(d Options) Address {
	for _, o := range optionTable() {
		if o.get(&a.Options) == "" {
			o.copy(&a.Options, &d)
		}
	}
	return a
}

// closest returns the one of words that text is most like, or "" where none is near.
func closest(text string, words []string) string {
	best, nearest := "", 1+max(1, len(text)/3)
	for _, word := range words {
		if d := spelling.Distance(text, word); d < nearest {
			best, nearest = word, d
		}
	}
	return best
}
