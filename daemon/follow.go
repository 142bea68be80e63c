package daemon

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"fourwire/daemon/api"
	"fourwire/daemon/live"
	"fourwire/daemon/queue"
	"fourwire/record"
)

// eventStream is the stream of events of a daemon.
type eventStream = live.Stream[api.Sent]

// followEvery is how often the record of a run is looked at: what is shown is so late at most.
const followEvery = 50 * time.Millisecond

const maxChunk = 1 << 20

// progress is what is known of a run under way, and for a while after.
type progress struct {
	order   Order
	points  int
	text    string
	outputs map[string]api.Output // by role
}

func (d *Daemon) begin(j queue.Job, o Order) *progress {
	p := &progress{order: o, outputs: map[string]api.Output{}}
	d.mu.Lock()
	d.runs[j.ID] = p
	d.mu.Unlock()
	d.tellBench()
	return p
}

// end forgets the progress of a run once others would know its number of points from elsewhere.
func (d *Daemon) end(j queue.Job) {
	d.mu.Lock()
	if p := d.runs[j.ID]; p != nil {
		p.outputs = map[string]api.Output{}
	}
	if len(d.runs) > 200 {
		for id := range d.runs {
			if now, err := d.queue.Job(id); id != j.ID && (err != nil || now.State.Ended()) {
				delete(d.runs, id)
			}
		}
	}
	d.mu.Unlock()
	d.tellBench()
}

// follow reads the record of a run while it grows, and tells everybody; when ctx ends it reads what there is left.
func (d *Daemon) follow(ctx context.Context, job, dir string, p *progress) {
	points, log := &grower{path: filepath.Join(dir, record.PointsFile)}, &grower{path: filepath.Join(dir, record.LogFile)}
	defer points.close()
	defer log.close()
	var table pointTable
	for last := false; ; {
		for _, line := range log.lines() {
			d.followLog(job, line, p)
		}
		for _, line := range points.lines() {
			if point, ok := table.row(line); ok {
				d.mu.Lock()
				p.points++
				d.mu.Unlock()
				d.counts.points.Inc()
				api.Publish(d.events, api.Event{Time: d.clock.Now().UTC(), Kind: "point", Job: job, Point: &point})
			}
		}
		if last {
			return
		}
		last = d.clock.Sleep(ctx, followEvery) != nil
	}
}

// quiet are the kinds of event of a record that are not worth a line while a run goes on.
var quiet = map[string]bool{"seal": true, "budget": true, "input": true, "kept": true, "start": true, "coverage": true}

// logged is what a line of the log of a record says.
type logged struct{ Level, Kind, Message string }

// readLog reads a line of the log of a record; ok is false for what is none.
func readLog(line []byte) (e logged, ok bool) {
	err := json.Unmarshal(line, &e)
	return e, err == nil && e.Message != ""
}

func (d *Daemon) followLog(job string, line []byte, p *progress) {
	e, ok := readLog(line)
	if !ok {
		return
	}
	if e.Kind == "output" {
		d.output(p, e.Message)
	}
	if e.Level == "debug" || quiet[e.Kind] {
		return
	}
	d.mu.Lock()
	p.text = e.Message
	d.mu.Unlock()
	api.Publish(d.events, api.Event{Time: d.clock.Now().UTC(), Kind: "log", Job: job, Level: e.Level, Text: e.Message})
	if e.Kind == "output" {
		d.tellBench()
	}
}

// output notes what a run says of an output.
func (d *Daemon) output(p *progress, text string) {
	role, on, what, ok := readOutput(text)
	if !ok {
		return
	}
	for _, r := range p.order.Roles {
		if r.Name == role {
			d.mu.Lock()
			p.outputs[role] = api.Output{Channel: r.Channel, Role: role, On: on, Text: what, Since: d.clock.Now().UTC()}
			d.mu.Unlock()
		}
	}
}

// readOutput takes apart what a run says of an output: "feed on: 12 V, at most 2.5 A", "sink off".
func readOutput(text string) (role string, on bool, what string, ok bool) {
	role, rest, _ := strings.Cut(text, " ")
	on = strings.HasPrefix(rest, "on")
	if !on && !strings.HasPrefix(rest, "off") {
		return "", false, "", false
	}
	return role, on, strings.TrimLeft(strings.TrimPrefix(strings.TrimPrefix(rest, "on"), "off"), ":, "), true
}

// grower reads a file that grows, line by line.
type grower struct {
	path string
	file *os.File
	rest []byte
}

// lines gives the whole lines that are new.
func (g *grower) lines() [][]byte {
	if g.file == nil {
		f, err := os.Open(g.path)
		if err != nil {
			return nil // not there yet
		}
		g.file = f
	}
	data, err := io.ReadAll(io.LimitReader(g.file, maxChunk))
	if err != nil && !errors.Is(err, io.EOF) || len(data) == 0 {
		return nil
	}
	g.rest = append(g.rest, data...)
	end := bytes.LastIndexByte(g.rest, '\n')
	if end < 0 {
		return nil
	}
	whole := g.rest[:end]
	g.rest = append([]byte(nil), g.rest[end+1:]...)
	return bytes.Split(whole, []byte("\n"))
}

func (g *grower) close() {
	if g.file != nil {
		_ = g.file.Close() // it was only read
	}
}

// pointTable reads the lines of points.csv one by one.
type pointTable struct {
	header []string
}

// row reads a line; ok is false for the header and for what is no row.
func (t *pointTable) row(line []byte) (p api.Point, ok bool) {
	fields, err := csv.NewReader(bytes.NewReader(line)).Read()
	if err != nil {
		return p, false
	}
	if t.header == nil {
		t.header = fields
		return p, false
	}
	if len(fields) != len(t.header) {
		return p, false
	}
	p.Values = map[string]api.Value{}
	for i, h := range t.header {
		text := fields[i]
		switch h {
		case "point":
			p.N, err = strconv.Atoi(text)
			if err != nil {
				return p, false
			}
		case "time_s":
			if p.T, err = strconv.ParseFloat(text, 64); err != nil || math.IsNaN(p.T) || math.IsInf(p.T, 0) {
				p.T = 0
			}
		case "part":
			p.Part = text
		case "mode":
			p.Mode = text
		case "status":
			p.Status = text
		case "why":
			p.Why = text
		case "ranges", "biggest", "notes":
		default:
			t.value(p.Values, h, text)
		}
	}
	return p, true
}

func (t *pointTable) value(into map[string]api.Value, header, text string) {
	name, _, _ := strings.Cut(header, " [")
	inner, isU := strings.CutPrefix(name, "U(")
	name = strings.TrimSuffix(inner, ")")
	var number *float64
	if x, err := strconv.ParseFloat(text, 64); err == nil && !math.IsNaN(x) && !math.IsInf(x, 0) { // JSON has no such numbers
		number = &x
	}
	v := into[name]
	if isU {
		v.U = number
	} else {
		v.V = number
	}
	into[name] = v
}
