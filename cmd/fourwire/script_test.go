package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// asCommand makes the test program behave as the command itself, for tests that need it as a second process.
const asCommand = "FOURWIRE_TEST_AS_COMMAND"

func TestMain(m *testing.M) {
	if os.Getenv(asCommand) != "" {
		main()
	}
	cache, err := os.MkdirTemp("", "fourwire-cache")
	if err != nil {
		panic(err)
	}
	os.Setenv("XDG_CACHE_HOME", cache) // where checked hook-ups are noted: not in the home of whoever tests
	testscript.Main(m, map[string]func(){"fourwire": main})
}

// Each script shows one behaviour of the command; $EXAMPLES is the folder of the examples.
func TestScripts(t *testing.T) {
	examples, err := filepath.Abs(filepath.Join("..", "..", "examples"))
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(e *testscript.Env) error {
			e.Setenv("EXAMPLES", examples)
			return os.CopyFS(filepath.Join(e.WorkDir, "buoy"), os.DirFS(filepath.Join(examples, "buoy")))
		},
		UpdateScripts: os.Getenv("UPDATE_SCRIPTS") != "",
		Cmds:          commands,
	})
}
