package client

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"
)

func all(r io.Reader) (list []message, err error) {
	for d := newDecoder(r); ; {
		m, err := d.next()
		if err != nil {
			return list, err
		}
		list = append(list, m)
	}
}

// The examples of the HTML Living Standard, 9.2.6 "Interpreting an event stream", and its rules for single fields.
func TestStreamOfTheStandard(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want []message
	}{
		"data of several lines": {"data: YHOO\ndata: +2\ndata: 10\n\n", []message{{data: "YHOO\n+2\n10"}}},
		"comment, ids, space": {": test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n\n",
			[]message{{data: "first event", id: "1"}, {data: "second event"}, {data: " third event"}}},
		"empty data":               {"data\n\ndata\ndata\n\ndata:", []message{{data: ""}, {data: "\n"}}},
		"space after colon or not": {"data:test\n\ndata: test\n\n", []message{{data: "test"}, {data: "test"}}},
		"CR, CR LF, LF":            {"data: a\rdata: b\r\ndata: c\n\r\ndata: d\r\r", []message{{data: "a\nb\nc"}, {data: "d"}}},
		"byte order mark":          {"\ufeffdata: a\n\n\ufeffdata: b\n\n", []message{{data: "a"}}},
		"unknown fields":           {"datum: a\nDATA: b\nevent: job\ndata: c\n\n", []message{{data: "c", kind: "job"}}},
		"pause":                    {"retry: 1500\n\nretry: x\n\nretry: +5\n\nretry:\n\n", []message{{retry: 1500 * time.Millisecond}}},
		"id with a NUL":            {"id: a\x00b\ndata: c\n\n", []message{{data: "c"}}},
		"torn":                     {"data: a\n\ndata: b\n", []message{{data: "a"}}},
	} {
		for _, r := range []io.Reader{strings.NewReader(c.text), iotest.OneByteReader(strings.NewReader(c.text))} {
			if got, err := all(r); err != io.EOF || !slices.Equal(got, c.want) {
				t.Errorf("%s: %+v %v, want %+v", name, got, err, c.want)
			}
		}
	}
	if _, err := all(io.MultiReader(strings.NewReader("data: "), endless{})); err != errLong {
		t.Errorf("an endless line: %v", err)
	}
}

type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'x'
	}
	return len(p), nil
}

// What is written as a stream is read back, however it comes in pieces and among whatever else; no stream makes the decoder fail but by its end.
func FuzzStream(f *testing.F) {
	f.Add("data: {\"kind\":\"log\"}\n\n", "life-1", "job", "{\"kind\":\"log\"}")
	f.Add("\ufeff: still here\r\n\r\nretry: 10\rid: 4\n", "4", "", "")
	f.Add("data", "a b", "reset", "two\nlines")
	f.Fuzz(func(t *testing.T, before, id, kind, data string) {
		list, err := all(strings.NewReader(before))
		if err != io.EOF {
			t.Fatalf("%v", err)
		}
		again, _ := all(iotest.OneByteReader(strings.NewReader(before)))
		if !slices.Equal(list, again) {
			t.Fatalf("in pieces it is %+v, at once %+v", again, list)
		}
		if strings.ContainsAny(id+kind+data, "\r\x00") || strings.ContainsAny(id+kind, "\n") || id == "" {
			return
		}
		text := before + "\n\n"
		list, _ = all(strings.NewReader(text))
		text += fmt.Sprintf("id: %s\nevent: %s\ndata: %s\n\n", id, kind, strings.ReplaceAll(data, "\n", "\ndata: "))
		got, _ := all(strings.NewReader(text))
		if len(got) != len(list)+1 || got[len(list)] != (message{id: id, kind: kind, data: data}) {
			t.Fatalf("%q is read as %+v", text, got)
		}
	})
}
