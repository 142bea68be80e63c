package record_test

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"fourwire/record"
)

// fill gives every field a value of its own, every third number NaN, and every list two entries.
func fill(v reflect.Value, n *int) {
	*n++
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(float64(*n) / 7)
		if *n%3 == 0 {
			v.SetFloat(math.NaN())
		}
	case reflect.Int, reflect.Int64:
		v.SetInt(int64(*n))
	case reflect.String:
		v.SetString("<text> " + strings.Repeat("é\"", *n%3))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), n)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(v.Index(0), n)
		fill(v.Index(1), n)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	default:
		panic("a kind that the JSON of these types was not written for: " + v.Kind().String())
	}
}

// Everything comes back, a number that is not there as NaN, and any JSON reader can read it.
func TestDrainAndOthersComeBack(t *testing.T) {
	for _, one := range []any{&record.Drain{}, &record.Comparison{}, &record.LifeResult{}, &record.Emulation{}} {
		n := 0
		fill(reflect.ValueOf(one).Elem(), &n)
		data, err := json.Marshal(one)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(data), "null") {
			t.Errorf("%T: there is no null in it", one)
		}
		back := reflect.New(reflect.TypeOf(one).Elem()).Interface()
		if err := json.Unmarshal(data, back); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(one, back, cmpopts.EquateNaNs()); diff != "" {
			t.Errorf("%T: %s", one, diff)
		}
	}
}

// An empty one has lists and no nulls but where a number is not known.
func TestAnEmptyDrain(t *testing.T) {
	data, err := json.Marshal(record.Drain{Trace: "day"})
	if err != nil || !strings.Contains(string(data), `"states":[]`) || strings.Contains(string(data), "null") {
		t.Errorf("%s, %v", data, err)
	}
}
