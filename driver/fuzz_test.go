package driver_test

import (
	"context"
	"errors"
	"math"
	"testing"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/transport/transporttest"
)

// Whatever an instrument answers, a reading is a finite number, an overload that says so, or an error; and a mode is one that there is.
func FuzzAnswers(f *testing.F) {
	for _, seed := range []string{"1;2", "1.2E+01", "9.9E37", "STATE,2,REG-V", "V=+1.250 V", "", "12,5", "#15HELLO", "\"x;y\",1", "nan", "1;513"} {
		f.Add(seed)
	}
	plain, foreign := modelOf(f, libraryText(f, "dc-source")), foreignModel(f)
	f.Fuzz(func(t *testing.T, answer string) {
		ctx := context.Background()
		for _, kind := range []struct {
			model    *driver.Config
			identity string
			who      string
		}{{&driver.Config{Model: plain}, "M,D,1,1", "*IDN?"}, {&driver.Config{Model: foreign}, "*** LAKE-WORKS / PX1 / 7 / R", "WHO"}} {
			status, value := ":OUTP1?;:STAT:QUES:COND?", ":SOUR1:VOLT?"
			if kind.model.Model == foreign {
				status, value = "TELL STATE,1", "TELL VSET,1"
			}
			kind.model.Link = transporttest.NewScript(transporttest.Sent(kind.who), transporttest.Answer(kind.identity),
				transporttest.Sent(status), transporttest.Answer(answer), transporttest.Sent(value), transporttest.Answer(answer))
			in, err := driver.Open(ctx, *kind.model)
			if err != nil {
				t.Fatal(err)
			}
			s, err := in.Source(1)
			if err != nil {
				t.Fatal(err)
			}
			st, err := s.Status(ctx)
			var fault *ieee488.Fault
			if err != nil && !errors.As(err, &fault) {
				t.Errorf("status: %v is no fault", err)
			}
			switch st.Mode {
			case "", "CV", "CC", "off", "unregulated":
			default:
				t.Errorf("%q is mode %q", answer, st.Mode)
			}
			if v, err := s.Volts(ctx); err == nil && (math.IsNaN(float64(v)) || math.Abs(float64(v)) > 9.8e37) {
				t.Errorf("%q is %v V", answer, v)
			}
		}
	})
}

// Whatever is answered for samples, they are believable or an error: behind those that came before, as many as are said, each of a range
// that there is, and no special number among them.
func FuzzSamples(f *testing.F) {
	for _, seed := range []string{block(`5,2,0,"0:1,1:6"`, 1, 2, 3, 4), block(`9,1,7,"0:2"`, 9.9e37, -1), `5,0,0,"",#10`, `5,0,0,,#0`, `4,1,0,"0:1",#18aaaabbbb`,
		`5,1,0,"0:1",#18aaaabbbb,`, `5;1;0;'0:1';#18aaaabbbb`, `5,1,0,0:1,#18aaaa`, "5,1,0,\"0:1\n\",#H12", `-5,1e300,0,"0:99999999999",#18aaaabbbb`} {
		f.Add(seed)
	}
	unit := modelOf(f, libraryText(f, "source-measure-unit"))
	f.Fuzz(func(t *testing.T, answer string) {
		ctx := context.Background()
		steps := append([]transporttest.Step{transporttest.Sent("*IDN?"), transporttest.Answer("M,D,1,1")}, begun(
			transporttest.Sent(":TRAC:DATA? 5,0"), transporttest.Answer(block(`0,5,0,"0:1"`, make([]float32, 10)...)),
			transporttest.Sent(":TRAC:DATA? 3,0"), transporttest.Answer(answer))...)
		in, err := driver.Open(ctx, driver.Config{Name: "smu", Model: unit, Link: transporttest.NewScript(steps...)})
		if err != nil {
			t.Fatal(err)
		}
		r, err := in.Recorder(1)
		if err != nil {
			t.Fatal(err)
		}
		started, err := r.Start(ctx, bothFunctions)
		if err != nil {
			t.Fatal(err)
		}
		var s driver.Samples
		if err := r.Fetch(ctx, 5, 0, &s); err != nil {
			t.Fatal(err)
		}
		if err := r.Fetch(ctx, 3, 0, &s); err != nil {
			var fault *ieee488.Fault
			if !errors.As(err, &fault) {
				t.Errorf("%v is no fault", err)
			}
			return
		}
		if s.Start < 5 || s.Count < 0 || s.Count > 3 || s.Lost < 0 || len(s.Values) != 2 || len(s.Values[0]) != s.Count || len(s.Values[1]) != s.Count || 8*s.Count > len(answer) {
			t.Errorf("%q is %+v", answer, s)
		}
		for i, runs := range s.Runs {
			if (len(runs) > 0) != (s.Count > 0) {
				t.Errorf("%q: %d samples have the ranges %v", answer, s.Count, runs)
			}
			for j, run := range runs {
				if run.Range < 0 || run.Range >= len(started.Ranges[i]) || run.At >= s.Count || j == 0 && run.At != 0 || j > 0 && run.At <= runs[j-1].At {
					t.Errorf("%q has the ranges %v", answer, runs)
				}
			}
		}
		odd := 0
		for _, row := range s.Values {
			for _, x := range row {
				if size := math.Abs(float64(x)); !(size < 9.8e37) {
					odd++
					if size <= math.MaxFloat32 {
						t.Errorf("%q has %v among its samples", answer, x)
					}
				}
			}
		}
		if odd != s.Overloads {
			t.Errorf("%q has %d odd samples, and counts %d", answer, odd, s.Overloads)
		}
	})
}

// Whatever is answered about a capture, it is armed as it was wanted or an error, and what is fetched are as many samples as it has, none of them a special number.
func FuzzCapture(f *testing.F) {
	f.Add("1.0E-06;4;-1;9.8E+04", "0", samples(1, 2, 9.9e37, 4))
	f.Add("1.004E-06;4;1;0", "64", "#0aaaabbbbccccdddd")
	f.Add("9.91E37;4;-1;9.9E37", "32", "1,2,3,4")
	f.Add("1e-6;4.5;-1;nan", "0x10", "#216")
	f.Add("1E-6,4,-1,1E5", "-1", samples(1, 2, 3))
	f.Add("1E-6;4;-1;1E5", "1e300", samples(1, 2, 3, 4)+"\n")
	unit := modelOf(f, libraryText(f, "source-measure-unit"))
	f.Fuzz(func(t *testing.T, look, state, block string) {
		ctx := context.Background()
		script := steps(asks("*IDN?", "M,D,1,1"), says(edgeWords), asks(edgeLook, look), says(":INIT:SEQ2"), asks(":STAT:OPER:COND?", state), asks(":FETC:ARR:VOLT?", block), asks(":FETC:ARR:CURR?", block))
		in, err := driver.Open(ctx, driver.Config{Name: "smu", Model: unit, Link: transporttest.NewScript(script...)})
		if err != nil {
			t.Fatal(err)
		}
		d, err := in.Digitiser(1)
		if err != nil {
			t.Fatal(err)
		}
		a, err := d.Arm(ctx, edge())
		if err != nil {
			return
		}
		if math.Abs(a.IntervalSeconds-1e-6) > 0.5e-6 || a.Points != 4 || a.Before != 1 || !(a.BandwidthHertz > 0 && a.BandwidthHertz < 1e38) {
			t.Errorf("%q: armed as %+v", look, a)
		}
		var s driver.Samples
		if err := d.Fetch(ctx, &s); err != nil {
			if s.Count != 0 {
				t.Errorf("%d samples with %v", s.Count, err)
			}
			return
		}
		if s.Count != 4 || s.Start != -1 || len(s.Values) != 2 {
			t.Errorf("%q is %+v", block, s)
		}
		odd := 0
		for _, row := range s.Values {
			if len(row) != 4 {
				t.Fatalf("%q: %d samples", block, len(row))
			}
			for _, x := range row {
				if size := math.Abs(float64(x)); !(size < 9.8e37) {
					odd++
					if size <= math.MaxFloat32 {
						t.Errorf("%q has %v among its samples", block, x)
					}
				}
			}
		}
		if odd != s.Overloads {
			t.Errorf("%q has %d odd samples, and counts %d", block, odd, s.Overloads)
		}
	})
}
