package workbook_test

import (
	"fmt"
	"fourwire/report/reporttest"
	"os"
	"testing"
)

func TestDev(t *testing.T) {
	for i := range 2 {
		_, d, _ := open(t, reporttest.Options{Mixed: true})
		os.WriteFile(fmt.Sprintf("/tmp/fw/mk/w%d.xlsx", i), d, 0o666)
	}
}
