package scpi

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Command declares one header and what it does. A handler returns nil, a [Code], an [Error], or any other error, which
// becomes -300 with its text; a query that returns an error sends no response.
type Command struct {
	// Pattern is the header in SCPI notation: keywords with the short form in capitals, optional nodes in brackets, a
	// numeric suffix as [n] (any number from 1) or [1..4]; "[SOURce[n]]:VOLTage[:LEVel]", "OUTPut[1..2][:STATe]",
	// "*TRG". A trailing ? is allowed when there is a query only.
	Pattern string
	// Params are the parameters of the set form. When Query is there, QueryParams is nil and Params is one number with
	// Limits, `header? MIN|MAX|DEF` is answered from the limits.
	Params      []Param
	QueryParams []Param
	Set         func(*Call) error // nil: query only
	Query       func(*Call) error // nil: no query form
	// Takes is the processing time before the handler runs; 0 is Options.CommandTime.
	Takes time.Duration
	// QueryTakes is the same for the query form; 0 is Takes.
	QueryTakes time.Duration
	// Irregular allows keywords whose short form departs from the rule (three or four letters).
	Irregular bool
}

const maxSuffixes = 4

// form is a command's set or query form, reached by one way of writing its header.
type form struct {
	command  *Command
	handler  func(*Call) error
	params   []param
	required int
	repeat   bool
	query    bool
	limits   *param      // answers MIN, MAX, DEF of a query
	slots    []int8      // per node of this way of writing: index into ranges, or -1
	ranges   []suffixSet // suffixes of the pattern, in order
}

type suffixSet struct{ most int }

// node is a place in the tree of headers; its children are keyed by both spellings in upper case.
type node struct {
	children   map[string]*node
	set, query *form
}

func (n *node) child(k keyword) *node {
	if n.children == nil {
		n.children = map[string]*node{}
	}
	short, long := n.children[k.short], n.children[k.long]
	c := short
	if c == nil {
		c = long
	}
	if c == nil {
		c = &node{}
	}
	if short == nil {
		n.children[k.short] = c
	}
	if long == nil {
		n.children[k.long] = c
	}
	return c
}

// part is one node of a pattern.
type part struct {
	keyword keyword
	slot    int8 // which numeric suffix it carries, or -1
}

// add compiles a command into the tree.
func (n *node) add(c Command) error {
	fail := func(err error) error { return fmt.Errorf("command %q: %w", c.Pattern, err) }
	pattern, queryOnly := strings.CutSuffix(c.Pattern, "?")
	if c.Set == nil && c.Query == nil {
		return fail(errors.New("it has neither Set nor Query; give at least one"))
	}
	if queryOnly && c.Set != nil {
		return fail(errors.New("the pattern ends in ? and there is a Set; leave the ? out"))
	}
	set, err := newForm(&c, c.Set, c.Params)
	if err != nil {
		return fail(err)
	}
	query, err := newForm(&c, c.Query, c.QueryParams)
	if err != nil {
		return fail(err)
	}
	query.query = true
	if c.QueryParams == nil && len(set.params) == 1 && set.params[0].Limits != nil {
		query.limits = &set.params[0]
	}
	if strings.HasPrefix(pattern, "*") {
		k, err := parseKeyword(pattern[1:])
		if err != nil {
			return fail(err)
		}
		k.long, k.short = "*"+k.long, "*"+k.short
		if k.long != k.short {
			return fail(errors.New("a common command has one spelling, in capitals"))
		}
		return n.child(k).attach(c.Pattern, set, query, nil)
	}
	ways, ranges, err := expand(pattern)
	if err != nil {
		return fail(err)
	}
	set.ranges, query.ranges = ranges, ranges
	for _, way := range ways {
		at := n
		slots := make([]int8, len(way))
		for i, p := range way {
			if !c.Irregular && !p.keyword.regular() {
				return fail(fmt.Errorf("the short form %s departs from the rule; correct it or set Irregular", p.keyword.short))
			}
			at, slots[i] = at.child(p.keyword), p.slot
		}
		if err := at.attach(c.Pattern, set, query, slots); err != nil {
			return err
		}
	}
	return nil
}

func (n *node) attach(pattern string, set, query *form, slots []int8) error {
	for _, f := range [2]*form{set, query} {
		if f.handler == nil {
			continue
		}
		place := &n.set
		if f.query {
			place = &n.query
		}
		if *place != nil {
			return fmt.Errorf("command %q: the same header is declared by %q", pattern, (*place).command.Pattern)
		}
		way := *f
		way.slots = slots
		*place = &way
	}
	return nil
}

func newForm(c *Command, handler func(*Call) error, params []Param) (*form, error) {
	f := &form{command: c, handler: handler, params: make([]param, len(params))}
	for i, p := range params {
		made, err := newParam(p)
		if err != nil {
			return nil, fmt.Errorf("parameter %d: %w", i+1, err)
		}
		f.params[i] = made
		switch {
		case f.repeat:
			return nil, fmt.Errorf("parameter %d follows one that repeats; only the last may repeat", i+1)
		case !p.Optional && f.required != i:
			return nil, fmt.Errorf("parameter %d is required and follows an optional one", i+1)
		case !p.Optional:
			f.required++
		}
		f.repeat = p.Repeat
	}
	return f, nil
}

// expand reads a pattern and returns every way of writing it, with optional nodes in or out.
func expand(pattern string) (ways [][]part, ranges []suffixSet, err error) {
	ways = [][]part{nil}
	rest, depth := pattern, 0
	for rest != "" {
		switch rest[0] {
		case '[':
			depth, rest = depth+1, rest[1:]
			continue
		case ']':
			depth, rest = depth-1, rest[1:]
			continue
		case ':':
			rest = rest[1:]
			continue
		}
		n := strings.IndexAny(rest, ":[]")
		if n < 0 {
			n = len(rest)
		}
		p := part{slot: -1}
		if p.keyword, err = parseKeyword(rest[:n]); err != nil {
			return nil, nil, err
		}
		rest = rest[n:]
		if set, after, ok := cutSuffix(rest); ok {
			p.slot, rest = int8(len(ranges)), after
			ranges = append(ranges, set)
		}
		if depth > 1 {
			return nil, nil, errors.New("brackets within brackets; write optional nodes one by one")
		}
		var more [][]part
		for _, way := range ways {
			if depth == 1 {
				more = append(more, way)
			}
			more = append(more, append(append([]part(nil), way...), p))
		}
		ways = more
	}
	if depth != 0 {
		return nil, nil, errors.New("a bracket is not closed")
	}
	if len(ranges) > maxSuffixes {
		return nil, nil, fmt.Errorf("%d numeric suffixes, at most %d are possible", len(ranges), maxSuffixes)
	}
	out := ways[:0]
	for _, way := range ways {
		if len(way) > 0 {
			out = append(out, way)
		}
	}
	if len(out) == 0 {
		return nil, nil, errors.New("there is no keyword in it")
	}
	return out, ranges, nil
}

// cutSuffix takes "[n]" or "[1..4]" from the front of a pattern's rest.
func cutSuffix(rest string) (set suffixSet, after string, ok bool) {
	if after, ok = strings.CutPrefix(rest, "[n]"); ok {
		return suffixSet{most: 1<<31 - 1}, after, true
	}
	after, ok = strings.CutPrefix(rest, "[1..")
	if !ok {
		return suffixSet{}, rest, false
	}
	for after != "" && isDigit(after[0]) && set.most < 1<<20 {
		set.most, after = set.most*10+int(after[0]-'0'), after[1:]
	}
	after, ok = strings.CutPrefix(after, "]")
	return set, after, ok && set.most > 0
}
