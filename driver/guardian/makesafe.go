package guardian

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
)

// MakeSafe does at once what a guardian would do: it reaches the instruments of the orders by connections of its own, switches them off in order, and
// watches the discharge. It is for a run whose guardian took the bench over and was lost before it could report. The run's own connections have to be
// closed before.
func MakeSafe(ctx context.Context, o Orders, why string, c Config) (*Report, error) {
	o.Format, o.Runner = Version, 0
	line, err := json.Marshal(o)
	if err != nil {
		return nil, err
	}
	var said bytes.Buffer
	in := io.MultiReader(bytes.NewReader(line), strings.NewReader("\narm\nrelieve "+strings.ReplaceAll(why, "\n", " ")+"\n"))
	failed := Serve(ctx, in, &said, c)
	for _, answer := range strings.Split(said.String(), "\n") {
		if text, ok := strings.CutPrefix(answer, "safe "); ok {
			var r Report
			if err := json.Unmarshal([]byte(text), &r); err != nil {
				return nil, fmt.Errorf("the report cannot be read: %w", err)
			}
			return &r, failed
		}
	}
	return nil, errors.Join(errors.New("the bench could not be made safe"), failed)
}
