package deploy

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/coreos/go-systemd/v22/unit"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/deploy/outsidetest"
)

// options reads the unit: section and name to all values in their order.
func options(t *testing.T) map[string][]string {
	t.Helper()
	f, err := os.Open("package/tidemark.service")
	require.NoError(t, err)
	defer f.Close()
	opts, err := unit.DeserializeOptions(f)
	require.NoError(t, err)
	out := map[string][]string{}
	for _, o := range opts {
		key := o.Section + "." + o.Name
		out[key] = append(out[key], o.Value)
	}
	return out
}

func TestUnitSaysHowItIs(t *testing.T) {
	u := options(t)
	assert.Equal(t, []string{"notify"}, u["Service.Type"])
	assert.Equal(t, []string{"tidemark"}, u["Service.StateDirectory"])
	assert.Equal(t, []string{"always"}, u["Service.Restart"])
	assert.NotEmpty(t, u["Service.WatchdogSec"])
	assert.NotEmpty(t, u["Service.LoadCredential"])
	assert.Equal(t, []string{"+-/usr/lib/tidemark/boot-note", "+-/usr/lib/tidemark/buses-on"}, u["Service.ExecStartPost"], "as root, and never in the way of a start")
	assert.Equal(t, []string{"/etc/tidemark"}, u["Service.ReadWritePaths"], "the page writes the settings, and nothing else")
	assert.NotEmpty(t, u["Service.RestartSec"], "restarting at once would be a tight loop")
	assert.Contains(t, u["Unit.After"][0], "systemd-modules-load.service", "device classes count only once their module is loaded")
}

// Each of these reads well and breaks the service; see the head of the unit.
func TestUnitLeavesOutWhatBreaksIt(t *testing.T) {
	u := options(t)
	for _, name := range []string{"ProcSubset", "PrivateDevices", "PrivateUsers", "PrivateNetwork", "DynamicUser"} {
		assert.Empty(t, u["Service."+name], "%s breaks the service", name)
	}
	assert.NotContains(t, u["Service.RestartPreventExitStatus"], "2", "a Go program that panics or is ended by the watchdog exits with 2")
	assert.NotContains(t, u["Service.Type"], "notify-reload", "needs systemd 253, Debian 12 has 252")
}

func TestUnitDevices(t *testing.T) {
	u := options(t)
	assert.Equal(t, []string{"closed"}, u["Service.DevicePolicy"])
	require.NotEmpty(t, u["Service.DeviceAllow"])
	for _, d := range u["Service.DeviceAllow"] {
		assert.Regexp(t, `^char-[A-Za-z0-9]+ rw$`, d, "devices are allowed by class: their numbers differ from board to board")
	}
}

// A group or user that does not exist stops the start.
func TestUnitUserAndGroupsAreMade(t *testing.T) {
	data, err := os.ReadFile("package/tidemark.sysusers.conf")
	require.NoError(t, err)
	made := map[string][]string{}
	for _, m := range regexp.MustCompile(`(?m)^([gu]) +(\S+)`).FindAllStringSubmatch(string(data), -1) {
		made[m[1]] = append(made[m[1]], m[2])
	}
	u := options(t)
	assert.Equal(t, made["u"], u["Service.User"])
	for _, g := range strings.Fields(u["Service.SupplementaryGroups"][0]) {
		assert.True(t, slices.Contains(made["g"], g), "group %s is made by nobody", g)
	}
}

// The exposure score of systemd must be 2.0 or better (systemd-analyze(1): lower
// is better, the threshold is in tenths).
func TestUnitExposure(t *testing.T) {
	analyze := outsidetest.Program(t, "systemd", "systemd-analyze")
	out := run(t, analyze, "security", "--offline=true", "--no-pager", "--threshold=20", "package/tidemark.service")
	assert.Contains(t, out, "Overall exposure level")
}

// The scripts of the package can be run, and an upgrade keeps the settings. What
// is in a built package is looked at by check-deb.sh.
func TestPackageDescription(t *testing.T) {
	data, err := os.ReadFile("nfpm.yaml")
	require.NoError(t, err)
	scripts := regexp.MustCompile(`(?m)^  (?:postinstall|preremove|postremove): (\S+)$`).FindAllStringSubmatch(string(data), -1)
	require.Len(t, scripts, 3)
	for _, s := range scripts {
		info, err := os.Stat(s[1])
		require.NoError(t, err)
		assert.NotZero(t, info.Mode()&0o100, "%s cannot be run", s[1])
	}
	assert.NotContains(t, string(data), "dst: /etc/tidemark/tidemark.yaml", "dpkg would ask about settings that were changed on the page")
	assert.Contains(t, string(data), "dst: /usr/share/tidemark/tidemark.yaml")
}

// The code is written to a Pi's first partition while it is good, and nothing else is.
func TestBootNote(t *testing.T) {
	for _, r := range []struct{ kept, note string }{
		{"code BCDFGHJK\nminutes 29\n", "type the code BCDF-GHJK"},
		{"code BCDFGHJK\nminutes 0\n", ""},
		{"code none\nminutes 0\n", ""},
		{"root:x:0:0::/root:/bin/sh\nminutes 9\n", ""},
		{"code $(id)x\nminutes 9\n", ""},
		{"", ""},
	} {
		state, boot := t.TempDir(), t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(state, "setup-code"), []byte(r.kept), 0o600))
		require.NoError(t, os.WriteFile(filepath.Join(boot, "config.txt"), nil, 0o600))
		note := filepath.Join(boot, "tidemark-setup.txt")
		require.NoError(t, os.WriteFile(note, []byte("of an earlier start"), 0o600))
		out, err := exec.Command("package/boot-note", state, filepath.Join(boot, "none"), boot).CombinedOutput()
		require.NoError(t, err, "%s", out)
		text, err := os.ReadFile(note)
		if r.note == "" {
			require.ErrorIs(t, err, os.ErrNotExist, "%q", r.kept)
			continue
		}
		require.NoError(t, err)
		assert.Contains(t, string(text), r.note)
	}
}

// On request the two lines are written into a Pi's config.txt, and nothing else ever is.
func TestBusesOn(t *testing.T) {
	const both = "\n[all]\n# sensor buses, switched on from the page of tidemark\ndtparam=i2c_arm=on\ndtoverlay=w1-gpio\n"
	for _, r := range []struct{ name, before, asked, after string }{
		{"nobody asked", "dtparam=audio=on\n", "", "dtparam=audio=on\n"},
		{"both are missing", "dtparam=audio=on\n[pi4]\narm_boost=1\n", "yes", "dtparam=audio=on\n[pi4]\narm_boost=1\n" + both},
		{"what is asked for is not read", "a=1", "enable_uart=1\n$(id)\n", "a=1" + both},
		{"one is there", "dtoverlay=w1-gpio,gpiopin=17\n", "yes", "dtoverlay=w1-gpio,gpiopin=17\n" + strings.Replace(both, "dtoverlay=w1-gpio\n", "", 1)},
		{"switched off in a comment", "#dtparam=i2c_arm=on\n#dtoverlay=w1-gpio\n", "yes", "#dtparam=i2c_arm=on\n#dtoverlay=w1-gpio\n" + both},
		{"all is there", "dtparam=i2c_arm=on\ndtoverlay=w1-gpio\n", "yes", "dtparam=i2c_arm=on\ndtoverlay=w1-gpio\n"},
		{"an empty file", "", "yes", both},
	} {
		state, boot := t.TempDir(), t.TempDir()
		config, ask := filepath.Join(boot, "config.txt"), filepath.Join(state, "switch-buses-on")
		require.NoError(t, os.WriteFile(config, []byte(r.before), 0o644))
		if r.asked != "" {
			require.NoError(t, os.WriteFile(ask, []byte(r.asked), 0o600))
		}
		for range 2 { // a second start changes nothing more
			out, err := exec.Command("sh", "-c", `umask 027; package/buses-on "$@"`, "sh", state, filepath.Join(boot, "none"), boot).CombinedOutput() // as the unit has it
			require.NoError(t, err, "%s: %s", r.name, out)
		}
		text, err := os.ReadFile(config)
		require.NoError(t, err)
		assert.Equal(t, r.after, string(text), r.name)
		info, err := os.Stat(config)
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o644), info.Mode().Perm(), "the page looks into it")
		assert.NoFileExists(t, ask)
		kept, err := os.ReadFile(config + ".before-tidemark")
		if r.before == r.after {
			assert.ErrorIs(t, err, os.ErrNotExist, r.name)
			continue
		}
		require.NoError(t, err, r.name)
		assert.Equal(t, r.before, string(kept), r.name)
	}
}

// A link in the place of config.txt, or of the request, leads nowhere.
func TestBusesOnFollowsNoLink(t *testing.T) {
	state, boot := t.TempDir(), t.TempDir()
	other := filepath.Join(t.TempDir(), "other")
	require.NoError(t, os.WriteFile(other, []byte("mine"), 0o600))
	require.NoError(t, os.Symlink(other, filepath.Join(state, "switch-buses-on")))
	require.NoError(t, os.Symlink(other, filepath.Join(boot, "config.txt")))
	out, err := exec.Command("package/buses-on", state, boot).CombinedOutput()
	require.NoError(t, err, "%s", out)
	text, err := os.ReadFile(other)
	require.NoError(t, err)
	assert.Equal(t, "mine", string(text))
	assert.NoFileExists(t, filepath.Join(state, "switch-buses-on"))
}
