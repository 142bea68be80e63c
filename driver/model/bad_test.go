package model_test

import (
	"testing"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/internal/diag/diagtest"
)

func TestMuseumOfBadFiles(t *testing.T) {
	diagtest.Museum(t, 15, func(name string, data []byte, found *diag.Findings) bool { return model.Read(name, data, found) != nil })
}
