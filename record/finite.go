package record

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strings"
)

// finiteJSON is json.Marshal with null for numbers that are not there (NaN, infinite), at any depth. It knows what the types of this package
// are made of: structs, slices, pointers, strings, numbers and truths.
func finiteJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	if err := putFinite(&b, reflect.ValueOf(v)); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func putFinite(b *bytes.Buffer, v reflect.Value) error {
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			b.WriteString("null")
			return nil
		}
	case reflect.Pointer:
		if v.IsNil() {
			b.WriteString("null")
			return nil
		}
		return putFinite(b, v.Elem())
	case reflect.Slice:
		b.WriteByte('[')
		for i := range v.Len() {
			if i > 0 {
				b.WriteByte(',')
			}
			if err := putFinite(b, v.Index(i)); err != nil {
				return err
			}
		}
		b.WriteByte(']')
		return nil
	case reflect.Struct:
		return putFields(b, v)
	}
	text, err := json.Marshal(v.Interface())
	b.Write(text)
	return err
}

func putFields(b *bytes.Buffer, v reflect.Value) error {
	sep := byte('{')
	for i := range v.NumField() {
		name, omit := fieldName(v.Type().Field(i))
		if omit && v.Field(i).IsZero() {
			continue
		}
		b.WriteByte(sep)
		fmt.Fprintf(b, "%q:", name)
		if err := putFinite(b, v.Field(i)); err != nil {
			return err
		}
		sep = ','
	}
	if sep == '{' {
		b.WriteByte(sep)
	}
	b.WriteByte('}')
	return nil
}

// fieldName is the name of a field in JSON, and whether it is left out where it is empty.
func fieldName(f reflect.StructField) (name string, omitEmpty bool) {
	name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
	return name, strings.Contains(options, "omitempty")
}

// nullsToNaN gives NaN to the numbers of into, a struct that data has been read into, that are null in data.
func nullsToNaN(data []byte, into any) error {
	var tree any
	if err := json.Unmarshal(data, &tree); err != nil {
		return err
	}
	setNaN(tree, reflect.ValueOf(into).Elem())
	return nil
}

func setNaN(tree any, v reflect.Value) {
	switch v.Kind() {
	case reflect.Float64:
		if tree == nil {
			v.SetFloat(math.NaN())
		}
	case reflect.Pointer:
		if !v.IsNil() {
			setNaN(tree, v.Elem())
		}
	case reflect.Slice:
		list, _ := tree.([]any)
		for i := range min(len(list), v.Len()) {
			setNaN(list[i], v.Index(i))
		}
	case reflect.Struct:
		fields, _ := tree.(map[string]any)
		for i := range v.NumField() {
			name, _ := fieldName(v.Type().Field(i))
			if one, ok := fields[name]; ok {
				setNaN(one, v.Field(i))
			}
		}
	}
}

// MarshalJSON writes null for a number that is not there (NaN).
func (d Drain) MarshalJSON() ([]byte, error) { return finiteJSON(d) }

// UnmarshalJSON reads null as NaN.
func (d *Drain) UnmarshalJSON(data []byte) error {
	type plain Drain
	if err := json.Unmarshal(data, (*plain)(d)); err != nil {
		return err
	}
	return nullsToNaN(data, (*plain)(d))
}

// MarshalJSON writes null for a number that is not there (NaN).
func (c Comparison) MarshalJSON() ([]byte, error) { return finiteJSON(c) }

// UnmarshalJSON reads null as NaN.
func (c *Comparison) UnmarshalJSON(data []byte) error {
	type plain Comparison
	if err := json.Unmarshal(data, (*plain)(c)); err != nil {
		return err
	}
	return nullsToNaN(data, (*plain)(c))
}

// MarshalJSON writes null for a number that is not there (NaN).
func (l LifeResult) MarshalJSON() ([]byte, error) { return finiteJSON(l) }

// UnmarshalJSON reads null as NaN.
func (l *LifeResult) UnmarshalJSON(data []byte) error {
	type plain LifeResult
	if err := json.Unmarshal(data, (*plain)(l)); err != nil {
		return err
	}
	return nullsToNaN(data, (*plain)(l))
}

// MarshalJSON writes null for a number that is not there (NaN).
func (e Emulation) MarshalJSON() ([]byte, error) { return finiteJSON(e) }

// UnmarshalJSON reads null as NaN.
func (e *Emulation) UnmarshalJSON(data []byte) error {
	type plain Emulation
	if err := json.Unmarshal(data, (*plain)(e)); err != nil {
		return err
	}
	return nullsToNaN(data, (*plain)(e))
}

// MarshalJSON writes null for a number that is not there (NaN).
func (f Fit) MarshalJSON() ([]byte, error) { return finiteJSON(f) }

// UnmarshalJSON reads null as NaN.
func (f *Fit) UnmarshalJSON(data []byte) error {
	type plain Fit
	if err := json.Unmarshal(data, (*plain)(f)); err != nil {
		return err
	}
	return nullsToNaN(data, (*plain)(f))
}
