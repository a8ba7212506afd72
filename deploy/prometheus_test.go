package deploy

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/deploy/outsidetest"
)

// run runs a program and fails the test with its output when it fails.
func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(t, err, "%s %s:\n%s", name, strings.Join(args, " "), out)
	return string(out)
}

// Every metric, label and label value that dashboard and rules ask for is one
// that the exporter has.
func TestExpressionsAskForWhatIsExported(t *testing.T) {
	page := exported(t)
	for _, e := range allExpressions(t) {
		found := selector.FindAllStringSubmatch(e.text, -1)
		assert.NotEmpty(t, found, "%s asks for nothing of ours: %s", e.where, e.text)
		for _, s := range found {
			fam, ok := page[s[1]]
			if !assert.True(t, ok, "%s: the exporter has no %s", e.where, s[1]) {
				continue
			}
			for _, m := range matcher.FindAllStringSubmatch(s[2], -1) {
				checkMatcher(t, e.where+": "+s[1], fam, m[1], m[2], m[3])
			}
		}
	}
}

// checkMatcher holds one label matcher against the label's values.
func checkMatcher(t *testing.T, where string, fam family, label, op, want string) {
	t.Helper()
	values, ok := fam[label]
	if !assert.True(t, ok, "%s has no label %s", where, label) || want == ".*" {
		return
	}
	pattern := regexp.QuoteMeta(want)
	if op == "=~" || op == "!~" {
		pattern = want
	}
	for _, alternative := range strings.Split(pattern, "|") {
		re := regexp.MustCompile("^(?:" + alternative + ")$")
		assert.True(t, anyMatches(re, values), "%s: label %s never is %s, it is one of %v", where, label, alternative, values)
	}
}

func anyMatches(re *regexp.Regexp, values []string) bool {
	for _, v := range values {
		if re.MatchString(v) {
			return true
		}
	}
	return false
}

// The checks above must be able to fail.
func TestMatcherCheckFindsWrongValues(t *testing.T) {
	probe := &testing.T{}
	fam := family{"phase": {"rising", "over"}}
	checkMatcher(probe, "probe", fam, "phase", "=~", "rising|over")
	assert.False(t, probe.Failed())
	checkMatcher(probe, "probe", fam, "phase", "=", "risen")
	assert.True(t, probe.Failed())
}

func TestExpressionsParse(t *testing.T) {
	promtool := outsidetest.Program(t, "prometheus", "promtool")
	type recording struct {
		Record string `yaml:"record"`
		Expr   string `yaml:"expr"`
	}
	var rules []recording
	for i, e := range allExpressions(t) {
		rules = append(rules, recording{fmt.Sprintf("check:expression:%d", i), e.text})
	}
	data, err := yaml.Marshal(map[string]any{"groups": []any{map[string]any{"name": "check", "rules": rules}}})
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "rules.yaml")
	require.NoError(t, os.WriteFile(file, data, 0o600))
	out := run(t, promtool, "check", "rules", file)
	assert.Contains(t, out, fmt.Sprintf("%d rules found", len(rules)))
}

func TestAlertRules(t *testing.T) {
	promtool := outsidetest.Program(t, "prometheus", "promtool")
	run(t, promtool, "check", "rules", "prometheus/alerts.yaml")
	run(t, promtool, "test", "rules", "prometheus/alerts_test.yaml")
	run(t, promtool, "check", "config", "--syntax-only", "prometheus/prometheus.yaml")
}

// Every alert has a unit test in which it fires.
func TestEveryAlertIsTested(t *testing.T) {
	data, err := os.ReadFile("prometheus/alerts_test.yaml")
	require.NoError(t, err)
	var file struct {
		Tests []struct {
			Cases []struct {
				Alert  string           `yaml:"alertname"`
				Expect []map[string]any `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
		} `yaml:"tests"`
	}
	require.NoError(t, yaml.Unmarshal(data, &file))
	fires := map[string]bool{}
	for _, test := range file.Tests {
		for _, c := range test.Cases {
			fires[c.Alert] = fires[c.Alert] || len(c.Expect) > 0
		}
	}
	for _, r := range alertRules(t) {
		assert.True(t, fires[r.Alert], "%s fires in no unit test", r.Alert)
	}
}

// A real Prometheus scrapes the exporter's page, loads the rules, and answers
// every expression of the dashboard with at least one series.
func TestPrometheusScrapes(t *testing.T) {
	binary := outsidetest.Program(t, "prometheus", "prometheus")
	page := exporterText(t)
	exporter := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		_, _ = io.WriteString(w, page)
	}))
	defer exporter.Close()
	api := startPrometheus(t, binary, strings.TrimPrefix(exporter.URL, "http://"))

	for _, e := range panelExpressions(t) {
		if strings.Contains(e.text, "[1m]") {
			// A rate needs two scrapes.
			require.Eventually(t, func() bool { return series(t, api, e.text) > 0 }, 20*time.Second, 100*time.Millisecond, "%s: no series for %s", e.where, e.text)
			continue
		}
		assert.Positive(t, series(t, api, e.text), "%s: no series for %s", e.where, e.text)
	}
	for _, e := range otherExpressions(t) {
		series(t, api, e.text)
	}
	assert.Positive(t, series(t, api, `ALERTS{alertname="TidemarkSensorFailing",vessel="jar"}`), "the failing sensor of the page is pending")
}

// startPrometheus runs a server that scrapes target and returns its address
// once it has seen the target up and worked through the rules.
func startPrometheus(t *testing.T, binary, target string) string {
	t.Helper()
	dir := t.TempDir()
	rules, err := filepath.Abs("prometheus/alerts.yaml")
	require.NoError(t, err)
	config := fmt.Sprintf("global: {scrape_interval: 500ms, scrape_timeout: 400ms, evaluation_interval: 500ms}\nrule_files: [%q]\nscrape_configs:\n  - job_name: tidemark\n    static_configs: [{targets: [%q]}]\n", rules, target)
	file := filepath.Join(dir, "prometheus.yaml")
	require.NoError(t, os.WriteFile(file, []byte(config), 0o600))
	address := freeAddress(t)
	log, err := os.Create(filepath.Join(dir, "log"))
	require.NoError(t, err)
	defer log.Close()
	cmd := exec.Command(binary, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address)
	cmd.Stdout, cmd.Stderr = log, log
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if t.Failed() {
			said, _ := os.ReadFile(log.Name())
			t.Logf("prometheus said:\n%s", said)
		}
	})
	api := "http://" + address
	require.Eventually(t, func() bool {
		n, err := query(api, `up == 1 and on () ALERTS`)
		return err == nil && n > 0
	}, 60*time.Second, 100*time.Millisecond, "prometheus never scraped the page")
	return api
}

// freeAddress finds a port on this machine that nobody listens on.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// series asks a server and returns how many series the answer has.
func series(t *testing.T, api, expr string) int {
	t.Helper()
	n, err := query(api, expr)
	require.NoError(t, err, expr)
	return n
}

// query asks a server; an expression it refuses is an error.
func query(api, expr string) (int, error) {
	resp, err := http.Get(api + "/api/v1/query?query=" + url.QueryEscape(expr))
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	var answer struct {
		Status, Error string
		Data          struct{ Result []json.RawMessage }
	}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		return 0, err
	}
	if answer.Status != "success" {
		return 0, fmt.Errorf("prometheus says %s: %s", answer.Status, answer.Error)
	}
	return len(answer.Data.Result), nil
}
