package model

import "fourwire/internal/diag"

// Shape describes a model file.
func Shape() diag.Type { return diag.Struct(&diag.Shape{Title: "a model file"}) }

// Read reads a model file; all that is wrong with it is among the findings, and the model is nil then.
func Read(name string, data []byte, found *diag.Findings) *Model { return nil }

// Library lists the embedded models.
func Library() []string { return nil }

// FromLibrary gives the file of an embedded model.
func FromLibrary(name string) (data []byte, ok bool) { return nil, false }
