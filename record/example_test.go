package record_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/record"
)

func Example() {
	parent, err := os.MkdirTemp("", "record")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(parent)
	dir := filepath.Join(parent, "buoy")

	w, err := record.Create(dir, record.Start{Tool: "fourwire", Title: "Buoy 5 V converter", Clock: clock.NewVirtual(time.Unix(0, 0))})
	if err != nil {
		fmt.Println(err)
		return
	}
	w.Columns([]record.Column{
		{Name: "iout", Kind: record.Coordinate, Dim: quantity.Current},
		{Name: "vo", Kind: record.Measured, Dim: quantity.Voltage, Node: "v(dut.out)"},
	}, false)
	w.Point(record.Point{Number: 1, Valid: true, Settled: true, Modes: map[string]string{"sink": "CC"},
		Cells: map[string]record.Cell{"iout": {SI: 0.5, U: math.NaN()}, "vo": {SI: 4.987, U: 0.002}}})
	if err := w.Finish(record.End{Outcome: record.NotJudged}); err != nil {
		fmt.Println(err)
		return
	}

	points, _ := os.ReadFile(filepath.Join(dir, record.PointsFile))
	fmt.Print(string(points))
	r, err := record.Open(dir)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(r.Title, r.Rows[0].Cells["vo"].SI, r.Outcome)
	// Output:
	// point,time_s,iout [A],vo [V],U(vo) [V],mode,ranges,status,why,biggest,notes
	// 1,0,0.5,4.987,0.002,sink=CC,,ok,,,
	// Buoy 5 V converter 4.987 not judged
}
