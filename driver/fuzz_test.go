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
