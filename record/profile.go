package record

// Profile is a voltage over time that a source was taken through: analysis/NAME.profile.json. Numbers are SI.
type Profile struct {
	Name    string `json:"name"`
	Role    string `json:"role"`
	Channel string `json:"channel"`
	Node    string `json:"node"`
	Where   string `json:"where,omitempty"` // coordinates: "vin 9 V"

	Preset   string `json:"preset,omitempty"` // empty: points of the sequence's own
	Title    string `json:"title,omitempty"`
	Standard string `json:"standard,omitempty"`
	Edition  string `json:"edition,omitempty"`
	Clause   string `json:"clause,omitempty"`
	Basis    string `json:"basis,omitempty"` // "read", or "from memory": unverified
	Source   string `json:"source,omitempty"`
	About    string `json:"about,omitempty"`
	Tag      string `json:"tag,omitempty"`      // all of that in one line
	Negative bool   `json:"negative,omitempty"` // to earth; voltages are magnitudes

	Repeat     int     `json:"repeat"`
	GapSeconds float64 `json:"gap"`
	By         string  `json:"by"` // "list": of the source; "host": from the computer
	Steps      int     `json:"steps"`

	WithinRelative float64 `json:"within_relative"`
	WithinVolts    float64 `json:"within_volts"`
	WithinSeconds  float64 `json:"within_seconds"`
	OutsideSeconds float64 `json:"outside_seconds"` // that the source is outside of that, by its model; 0: it follows
	WorstVolts     float64 `json:"worst_volts"`
	WorstAtSeconds float64 `json:"worst_at"`
	LatestSeconds  float64 `json:"latest"` // of the settings by the computer: how late one came at most
	Late           string  `json:"late,omitempty"`
	Text           string  `json:"text"` // all of it in words

	Wanted   [][2]float64 `json:"wanted"`   // s, V: straight lines between
	Expected [][2]float64 `json:"expected"` // what comes of it by the model
}

// ProfileFile is where a profile is kept in a record.
func ProfileFile(name string) string { return AnalysisFolder + "/" + name + ".profile.json" }
