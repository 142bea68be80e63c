package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"fourwire/internal/diag"
)

// allSites is the word for every site of a bench.
const allSites = "all"

const siteAbout = "site of a bench that has several, as often as wanted; all: every one, at the same time"

// chooseSites is which sites of a bench are meant; none for a bench without sites.
func chooseSites(tb *testBench, asked []string) ([]string, error) {
	names := tb.bench.SiteNames()
	if len(names) == 0 {
		if len(asked) > 0 {
			return nil, &failure{status: exitInput, err: fmt.Errorf("%s has no sites", tb.path), hint: "leave --site out"}
		}
		return nil, nil
	}
	if len(asked) == 0 {
		return nil, &failure{status: exitInput, err: fmt.Errorf("%s has the sites %s: say which", tb.path, strings.Join(names, ", ")),
			hint: fmt.Sprintf("--site %s, or --site all for every one at the same time", names[0])}
	}
	if slices.Contains(asked, allSites) {
		return names, nil
	}
	var out []string
	for _, name := range names { // in the order of the file, each once
		if slices.Contains(asked, name) {
			out = append(out, name)
		}
	}
	for _, one := range asked {
		if !slices.Contains(names, one) {
			return nil, &failure{status: exitInput, err: fmt.Errorf("%s has no site %q", tb.path, one), hint: diag.Suggest(one, names)}
		}
	}
	return out, nil
}

// forSite is the bench as one site sees it while runs go on at all of together.
func (tb *testBench) forSite(site string, together []string) (*testBench, error) {
	var found diag.Findings
	for _, in := range tb.inputs {
		found.Source(in.Path, in.Data)
	}
	view := *tb
	view.bench = tb.bench.ForSite(site, together, &found)
	if found.Failed() {
		return nil, &failure{status: exitInput, findings: found.List(), err: fmt.Errorf("the bench cannot be used at %s at the same time", strings.Join(together, " and "))}
	}
	return &view, nil
}

// oneSite is the bench as the only site of a command sees it; a bench without sites as it is.
func oneSite(tb *testBench, asked []string) (*testBench, error) {
	sites, err := chooseSites(tb, asked)
	switch {
	case err != nil:
		return nil, err
	case len(sites) == 0:
		return tb, nil
	case len(sites) > 1:
		return nil, wrong(errors.New("this takes one site at a time"))
	}
	return tb.forSite(sites[0], sites)
}

// checkedSites is the bench as each of the sites sees it that are looked at: all of them, one at a time, if none is asked for.
func checkedSites(tb *testBench, asked []string) ([]*testBench, error) {
	if len(tb.bench.Sites) == 0 {
		return []*testBench{tb}, nil
	}
	together := asked
	if len(asked) == 0 {
		asked = []string{allSites}
	}
	sites, err := chooseSites(tb, asked)
	if err != nil {
		return nil, err
	}
	var views []*testBench
	for _, site := range sites {
		beside := sites
		if len(together) == 0 {
			beside = []string{site}
		}
		view, err := tb.forSite(site, beside)
		if err != nil {
			return nil, err
		}
		views = append(views, view)
	}
	return views, nil
}

// gravest is the exit status of several runs together: something that may still be on comes before everything.
func gravest(statuses ...int) int {
	order := []int{exitSafety, exitInterrupted, exitBench, exitInput, exitFail, exitUndecided, exitPass}
	worst := len(order) - 1
	for _, s := range statuses {
		if i := slices.Index(order, s); i >= 0 {
			worst = min(worst, i)
		} else {
			return s
		}
	}
	return order[worst]
}
