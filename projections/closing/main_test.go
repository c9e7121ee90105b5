package closing_test

import (
	"flag"
	"os"
	"testing"
)

// A random history with three closes is read some dozen times for each property, so the usual run looks at fewer of them.
func TestMain(m *testing.M) {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "rapid.checks" })
	checks := "25"
	if os.Getenv("COUNTBACK_FULL") != "" {
		checks = "1000"
	}
	if !given {
		if err := flag.Set("rapid.checks", checks); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
