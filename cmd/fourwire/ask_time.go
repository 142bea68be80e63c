package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport/dial"
)

// mostAsked is how often --time may ask.
const mostAsked = 100000

// delays is how long the answers of an instrument take, in seconds.
type delays struct {
	Address string  `json:"address"`
	Sent    string  `json:"sent"`
	Asked   int     `json:"asked"`
	Least   float64 `json:"leastSeconds"`
	Median  float64 `json:"medianSeconds"`
	P99     float64 `json:"p99Seconds"`
	Most    float64 `json:"mostSeconds"`
	// Wire is the time that one exchange spends on the way: for TCP that of opening a connection, for a serial line that of its
	// bits; null where it is not known.
	Wire *float64 `json:"wireSeconds"`
	// Processing is the median without the wire: what "timing: processing" of a model file means.
	Processing float64 `json:"processingSeconds"`
}

// askTimes asks the same question many times and tells how long the answers take.
func (a *app) askTimes(ctx context.Context, address, query string, times int, timeout time.Duration) error {
	if times < 1 || times > mostAsked {
		return wrong(fmt.Errorf("--time %d: how often to ask is a number from 1 to %d", times, mostAsked))
	}
	if !strings.Contains(query, "?") {
		return wrong(fmt.Errorf("%q is no query, and without an answer nothing can be timed; ask for example \"*IDN?\"", query))
	}
	addr, err := askable(address)
	if err != nil {
		return err
	}
	c := clock.Real()
	opening, cancel := c.WithTimeout(ctx, timeout)
	defer cancel()
	link, err := (&dial.Dialer{Clock: c}).Dial(opening, addr)
	if err != nil {
		return notRight(err, "is the instrument on, is the address right, does somebody else hold its only connection?")
	}
	defer link.Close()
	result := delays{Address: address, Sent: query, Asked: times}
	if addr.Scheme == "tcp" {
		wire := wireTime(link).Seconds()
		result.Wire = &wire
	}
	took := make([]float64, times)
	var reply []byte
	for i := range took {
		each, cancel := c.WithTimeout(ctx, timeout)
		began := c.Now()
		if err = link.Send(each, []byte(query)); err == nil {
			reply, err = link.Receive(each, reply[:0])
		}
		took[i] = c.Since(began).Seconds()
		cancel()
		if err != nil {
			return a.noAnswer(ctx, fmt.Errorf("answer %d of %d: %w", i+1, times, err))
		}
	}
	slices.Sort(took)
	result.Least, result.Median, result.P99, result.Most = took[0], took[times/2], took[min(times-1, times*99/100)], took[times-1]
	result.Processing = result.Median
	if result.Wire != nil {
		result.Processing = max(0, result.Median-*result.Wire)
	}
	if a.json {
		return a.document(result)
	}
	fmt.Fprintf(a.out, "%s asked %d times: least %s, median %s, 99 %% below %s, most %s\n", query, times,
		inMilliseconds(result.Least), inMilliseconds(result.Median), inMilliseconds(result.P99), inMilliseconds(result.Most))
	if result.Wire != nil {
		fmt.Fprintf(a.out, "wire %s, processing %s\n", inMilliseconds(*result.Wire), inMilliseconds(result.Processing))
	}
	return nil
}

func inMilliseconds(seconds float64) string { return fmt.Sprintf("%.3g ms", seconds*1e3) }
