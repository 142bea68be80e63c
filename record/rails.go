package record

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"fourwire/quantity"
)

// Rails are several supplies that came up in order and went down in reverse: analysis/NAME.rails.json. Times count in seconds from the first
// one's going on; null is not known. They are from the computer's clock, and from readings: a capture shows more.
type Rails struct {
	Name          string      `json:"name"`
	Where         string      `json:"where,omitempty"`
	Order         string      `json:"order"`
	AllOffSeconds float64     `json:"all_off"` // the longest allowed from a fault of one until all are off
	WatchSeconds  float64     `json:"watch"`   // from one look at all of them to the next
	Rails         []Rail      `json:"rails"`
	Fault         *RailsFault `json:"fault,omitempty"`
}

// Rail is one of them.
type Rail struct {
	Role        string  `json:"role"`
	Node        string  `json:"node"`
	Channel     string  `json:"channel"`
	Volts       float64 `json:"volts"`
	Amps        float64 `json:"amps"`
	OnSeconds   float64 `json:"on"`
	GoodSeconds float64 `json:"good"` // null: nothing was waited for
	GoodU       float64 `json:"good_u"`
	OffSeconds  float64 `json:"off"`
}

// RailsFault is what took all of them off.
type RailsFault struct {
	Text            string  `json:"text"`
	LookedSeconds   float64 `json:"looked"`    // when the last look began at which all was well
	OffAfterSeconds float64 `json:"off_after"` // from there until the last one was off: the fault took no longer
	Within          bool    `json:"within"`
}

// MarshalJSON writes null for what is not known.
func (r Rails) MarshalJSON() ([]byte, error) { return finiteJSON(r) }

// UnmarshalJSON reads null as NaN.
func (r *Rails) UnmarshalJSON(data []byte) error {
	type plain Rails
	if err := json.Unmarshal(data, (*plain)(r)); err != nil {
		return err
	}
	return nullsToNaN(data, (*plain)(r))
}

// Text is in which order they came up and when each was good.
func (r Rails) Text() string {
	var parts []string
	for _, one := range r.Rails {
		text := fmt.Sprintf("%s on at %s", one.Role, quantity.Of(one.OnSeconds, quantity.Time).Text(3))
		if !math.IsNaN(one.GoodSeconds) {
			text += fmt.Sprintf(", good at %s", quantity.Of(one.GoodSeconds, quantity.Time).Text(3))
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ")
}

// RailsFile is where a group of rails is kept in a record.
func RailsFile(name string) string { return AnalysisFolder + "/" + name + ".rails.json" }
