package client_test

import (
	"context"
	"errors"
	"fmt"

	"fourwire/client"
	"fourwire/daemon/api"
)

// Submit a run, wait for the verdict, and read the efficiency curve of the buoy's 5 V converter.
func Example() {
	bench := newBench(100) // stands in for the daemon: "fourwire serve --bench lab.yaml"
	url, shut := serve(bench, nil)
	defer shut()

	ctx := context.Background()
	c, err := client.New(url) // http://127.0.0.1:8460; elsewhere https, with client.Token and client.Roots
	if err != nil {
		fmt.Println(err)
		return
	}
	defer c.Close()
	job, err := c.Submit(ctx, api.Submission{Sequence: "efficiency.yaml", Set: map[string]string{"vin": "[9 V, 12 V]"}})
	if err != nil {
		fmt.Println(err) // with what is wrong in the file, line by line
		return
	}
	fmt.Println(job.Title, "is", job.State)
	go bench.set(job.ID, func(j *api.Job) { j.State, j.Outcome, j.Record = api.Done, "pass", "20260301-080000-efficiency" }) // the bench at work
	job, err = c.Wait(ctx, job.ID)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(job.State+":", job.Outcome)
	for p, err := range c.Points(ctx, job.Record, 0) {
		if err != nil {
			fmt.Println(err)
			return
		}
		iout, efficiency := p.Values["iout"], p.Values["efficiency"]
		fmt.Printf("%.1f A  %.1f %% ± %.1f %%\n", *iout.V, 100**efficiency.V, 100**efficiency.U)
	}
	// Output:
	// Buoy 5 V converter, efficiency is queued
	// done: pass
	// 0.1 A  87.0 % ± 0.2 %
	// 0.2 A  91.7 % ± 0.2 %
	// 0.3 A  93.5 % ± 0.2 %
	// 0.4 A  94.3 % ± 0.2 %
	// 0.5 A  94.9 % ± 0.2 %
}

// What is wrong with a submission is said with its place in the file.
func ExampleError() {
	url, shut := serve(newBench(100), nil)
	defer shut()
	c, err := client.New(url)
	if err != nil {
		fmt.Println(err)
		return
	}
	_, err = c.Submit(context.Background(), api.Submission{Text: "fourwire: sequence/1\n"})
	var refused *client.Error
	if errors.As(err, &refused) && errors.Is(err, client.ErrWrong) {
		for _, f := range refused.Findings() {
			fmt.Printf("line %d, column %d: %s\n", f.Line, f.Column, f.Text)
		}
	}
	// Output:
	// line 4, column 12: "10 m" has no unit that is known here
}

// Watch shows what happens on the bench. The stream goes on after a lost connection; "reset" says that something was missed.
func ExampleClient_Watch() {
	bench := newBench(100)
	url, shut := serve(bench, nil)
	defer shut()
	c, err := client.New(url)
	if err != nil {
		fmt.Println(err)
		return
	}
	load := func(ctx context.Context) error { // what is loaded here has no gap to the events
		b, err := c.Bench(ctx)
		fmt.Println("outputs are", b.Outputs)
		go api.Publish(bench.stream, api.Event{Kind: "log", Text: "feed on: 12 V, at most 2.5 A"})
		return err
	}
	for e, err := range c.Watch(context.Background(), client.Watching{Opened: load}) {
		if err != nil {
			fmt.Println(err)
			return
		}
		if e.Kind == "log" {
			fmt.Println(e.Text)
			break // or go on until ctx ends
		}
	}
	// Output:
	// outputs are off
	// feed on: 12 V, at most 2.5 A
}
