// Package junit makes the verdict file for continuous integration: JUnit's XML form, as build servers commonly read it (there
// is no standard; attributes and elements used here are those that all of them take).
package junit

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"strconv"
	"strings"
	"time"

	"fourwire/record"
	"fourwire/report"
)

// Form makes verdict.junit.xml.
func Form() report.Form { return report.Form{Name: report.JUnitFile, Make: Make} }

type suites struct {
	XMLName  xml.Name `xml:"testsuites"`
	Name     string   `xml:"name,attr"`
	Tests    int      `xml:"tests,attr"`
	Failures int      `xml:"failures,attr"`
	Errors   int      `xml:"errors,attr"`
	Skipped  int      `xml:"skipped,attr"`
	Time     string   `xml:"time,attr"`
	Suites   []suite  `xml:"testsuite"`
}

type suite struct {
	Name       string      `xml:"name,attr"`
	Tests      int         `xml:"tests,attr"`
	Failures   int         `xml:"failures,attr"`
	Errors     int         `xml:"errors,attr"`
	Skipped    int         `xml:"skipped,attr"`
	Time       string      `xml:"time,attr"`
	Timestamp  string      `xml:"timestamp,attr,omitempty"`
	Properties *properties `xml:"properties"`
	Cases      []testCase  `xml:"testcase"`
}

type properties struct {
	List []property `xml:"property"`
}

type property struct {
	Name  string `xml:"name,attr"`
	Value string `xml:"value,attr"`
}

type testCase struct {
	Class   string   `xml:"classname,attr"`
	Name    string   `xml:"name,attr"`
	Time    string   `xml:"time,attr"`
	Failure *message `xml:"failure"`
	Error   *message `xml:"error"`
	Skipped *message `xml:"skipped"`
}

type message struct {
	Message string `xml:"message,attr"`
	Type    string `xml:"type,attr,omitempty"`
	Text    string `xml:",chardata"`
}

// Make writes one test suite per limit and one test case per comparison. A failed comparison is a failure; an undecided one and
// one that could not be judged are skipped, with the reason; a run that ended early is an error in a suite of its own, as is
// one whose record is damaged.
func Make(r *report.Report) ([]byte, error) {
	rec := r.Record
	out := suites{Name: clean(r.Title), Time: seconds(rec.DurationSeconds)}
	out.add(runSuite(r))
	for _, l := range r.Limits {
		out.add(limitSuite(r, l))
	}
	var b bytes.Buffer
	b.WriteString(xml.Header)
	e := xml.NewEncoder(&b)
	e.Indent("", "  ")
	if err := e.Encode(out); err != nil {
		return nil, fmt.Errorf("junit: %w", err)
	}
	b.WriteByte('\n')
	return b.Bytes(), nil
}

func (s *suites) add(one suite) {
	one.Tests = len(one.Cases)
	for _, c := range one.Cases {
		switch {
		case c.Failure != nil:
			one.Failures++
		case c.Error != nil:
			one.Errors++
		case c.Skipped != nil:
			one.Skipped++
		}
	}
	s.Tests += one.Tests
	s.Failures += one.Failures
	s.Errors += one.Errors
	s.Skipped += one.Skipped
	s.Suites = append(s.Suites, one)
}

// runSuite tells whether the run came to its end, with what somebody needs to find the record again.
func runSuite(r *report.Report) suite {
	rec := r.Record
	s := suite{Name: "run", Time: seconds(rec.DurationSeconds), Timestamp: stamp(rec.Started)}
	s.Properties = &properties{}
	for _, f := range r.Facts {
		s.Properties.List = append(s.Properties.List, property{clean(f.Name), clean(f.Value)})
	}
	ended := testCase{Class: "run", Name: "the run came to its end", Time: seconds(rec.DurationSeconds)}
	if rec.Reason != "" {
		ended.Error = &message{Message: clean(rec.Reason), Type: "run"}
	}
	s.Cases = append(s.Cases, ended)
	if len(rec.Problems) > 0 {
		s.Cases = append(s.Cases, testCase{Class: "run", Name: "the record is whole", Time: "0",
			Error: &message{Message: clean(rec.Problems[0]), Type: "record", Text: clean(strings.Join(rec.Problems, "\n"))}})
	}
	return s
}

func limitSuite(r *report.Report, l report.Limit) suite {
	name := l.Text
	if l.Clause != "" {
		name = l.Clause + ": " + l.Text
	}
	s := suite{Name: clean(name), Time: "0", Timestamp: stamp(r.Record.Started)}
	for _, v := range l.Verdicts {
		where := "all points"
		if v.Point > 0 {
			where = "point " + strconv.Itoa(v.Point)
		}
		if v.Where != "" {
			where += ", " + v.Where
		}
		c := testCase{Class: clean(name), Name: clean(where), Time: "0"}
		text := v.Limit + " at " + where + ": " + report.ValueText(v)
		for _, more := range []struct{ before, text string }{{", ", report.RuleText(v)}, {"; ", report.RiskText(v)}, {"; ", v.Why}, {"; ", v.Advice}} {
			if more.text != "" {
				text += more.before + more.text
			}
		}
		switch v.Outcome {
		case record.Pass:
		case record.Fail:
			c.Failure = &message{Message: clean(text), Type: "limit"}
		case record.Undecided:
			c.Skipped = &message{Message: clean(report.OutcomeText(v) + ": " + text)}
		default:
			c.Skipped = &message{Message: clean("not judged: " + text)}
		}
		s.Cases = append(s.Cases, c)
	}
	return s
}

// clean drops what XML 1.0 cannot hold (production 2, Char) but keeps line ends; the encoder escapes the rest.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7f || r == 0xfffe || r == 0xffff {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
}

func seconds(s float64) string { return strconv.FormatFloat(s, 'f', 3, 64) }

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05")
}
