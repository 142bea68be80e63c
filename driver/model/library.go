package model

import (
	"embed"
	"slices"
	"strings"
)

//go:embed library/*.yaml
var library embed.FS

// Library lists the embedded models, in alphabetical order.
func Library() []string {
	entries, err := library.ReadDir("library")
	if err != nil {
		return nil
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	slices.Sort(names)
	return names
}

// FromLibrary gives the file of an embedded model.
func FromLibrary(name string) (data []byte, ok bool) {
	data, err := library.ReadFile("library/" + name + ".yaml")
	return data, err == nil && name != "" && !strings.ContainsAny(name, "/\\")
}
