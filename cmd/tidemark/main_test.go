package main

import (
	"net"
	"os"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets the scripts run this very program as tidemark.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"tidemark": func() { os.Exit(run(os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr})) },
	})
}

// TestScripts runs every script of testdata/script.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(env *testscript.Env) error {
			records, err := os.Getwd()
			env.Setenv("RECORDS", records+"/../../testdata/records")
			return err
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"takeport": takePort, "spreadsheet": asSpreadsheet},
	})
}

// takePort occupies a free port for the rest of the script and puts its number
// into PORT.
func takePort(ts *testscript.TestScript, _ bool, _ []string) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	ts.Defer(func() { _ = ln.Close() })
	_, port, err := net.SplitHostPort(ln.Addr().String())
	ts.Check(err)
	ts.Setenv("PORT", port)
}

// asSpreadsheet copies a text as some spreadsheets write it: a byte order mark,
// CRLF between lines and none at the end.
func asSpreadsheet(ts *testscript.TestScript, _ bool, args []string) {
	text := strings.TrimSuffix(ts.ReadFile(args[0]), "\n")
	text = "\ufeff" + strings.ReplaceAll(text, "\n", "\r\n")
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(text), 0o644))
}
