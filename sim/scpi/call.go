package scpi

import "time"

// Call is one execution of a handler: its arguments, where its answer goes, and what it does to the flow of commands.
// It is valid until the handler, and what it passed to After or AfterOperation, has returned.
type Call struct {
	session    *Session
	header     *header
	values     []value
	reader     reader
	channels   []int
	extreme    float64
	hasExtreme bool
	elements   int // data elements answered so far

	then  func(*Call) error
	until int64
	ready func() bool // ends a wait for a time early
	wait  waitFor
	on    *Operation
}

// waitFor is what holds a session.
type waitFor uint8

const (
	waitNothing    waitFor = iota
	waitTime               // until a time
	waitOperations         // until no operation is pending
	waitOperation          // until one has ended
)

// Device returns the instrument.
func (c *Call) Device() *Device { return c.session.device }

// Session returns the connection that the command came through.
func (c *Call) Session() *Session { return c.session }

// Now returns the time of execution, in nanoseconds.
func (c *Call) Now() int64 { return c.session.now }

// Suffix returns the i-th numeric suffix of the pattern, counted from 0; one that was not written is 1.
func (c *Call) Suffix(i int) int {
	if i < 0 || i >= maxSuffixes {
		return 1
	}
	return max(int(c.header.suffixes[i]), 1)
}

// Arguments returns the number of arguments that were given.
func (c *Call) Arguments() int { return len(c.values) }

// Given tells whether argument i was given.
func (c *Call) Given(i int) bool { return i >= 0 && i < len(c.values) }

// Float returns argument i as a number in the parameter's unit; 0 if it was not given.
func (c *Call) Float(i int) float64 {
	if !c.Given(i) {
		return 0
	}
	return c.values[i].number
}

// Int returns argument i as an integer; 0 if it was not given.
func (c *Call) Int(i int) int { return int(c.Float(i)) }

// Bool returns argument i as a truth value; false if it was not given.
func (c *Call) Bool(i int) bool { return c.Float(i) != 0 }

// Word returns the index in Param.Keywords of argument i, or -1 if it is not one of them.
func (c *Call) Word(i int) int {
	if !c.Given(i) {
		return -1
	}
	return c.values[i].key
}

// Bytes returns the content of argument i when it is a string, a block or an expression, and the word as written when it
// is character data. The bytes are not a copy and are valid only during the call.
func (c *Call) Bytes(i int) []byte {
	if !c.Given(i) {
		return nil
	}
	return c.values[i].text
}

// List returns the elements of argument i, a channel list or a numeric list, in the order written.
func (c *Call) List(i int) []Range {
	if !c.Given(i) {
		return nil
	}
	return c.values[i].ranges
}

// ChannelList returns the channels of argument i one by one, (@1,3:5) as 1 3 4 5 and (@2:1) as 2 1. More than 4096 give
// -223. The slice is valid only during the call.
func (c *Call) ChannelList(i int) ([]int, error) {
	c.channels = c.channels[:0]
	for _, r := range c.List(i) {
		step := 1
		if r.To < r.From {
			step = -1
		}
		for n := int(r.From); ; n += step {
			if len(c.channels) == maxChannels {
				return nil, TooMuchData
			}
			c.channels = append(c.channels, n)
			if n == int(r.To) {
				break
			}
		}
	}
	return c.channels, nil
}

// Hold keeps the session busy for a span after this handler: the answer comes out and the next command is executed when
// it is over. Use it for a slow set command; a measurement uses After, so that it reads at the end of its aperture.
func (c *Call) Hold(span time.Duration) {
	c.After(span, func(*Call) error { return nil })
}

// After ends this handler without finishing the command: then is called when the span is over, on the same Call, and
// what it answers is the answer. Other sessions go on meanwhile; a device clear drops it.
func (c *Call) After(span time.Duration, then func(*Call) error) {
	c.then, c.wait, c.until, c.ready = then, waitTime, c.session.now+int64(max(span, 0)), nil
}

// AfterWhen is After that also goes on, earlier, when ready returns true; it is asked whenever the device runs.
func (c *Call) AfterWhen(span time.Duration, ready func() bool, then func(*Call) error) {
	c.After(span, then)
	c.ready = ready
}

// AfterOperation is After with the end of an operation in place of a span.
func (c *Call) AfterOperation(o *Operation, then func(*Call) error) {
	c.then, c.wait, c.on = then, waitOperation, o
}

// afterAll waits until no operation of the device is pending.
func (c *Call) afterAll(then func(*Call) error) {
	c.then, c.wait = then, waitOperations
}

// Overlap starts an overlapped operation that lasts for a span; see Device.BeginUntil.
func (c *Call) Overlap(span time.Duration, onEnd func(*Operation)) *Operation {
	return c.session.device.BeginUntil(c.session.now+int64(max(span, 0)), onEnd)
}
