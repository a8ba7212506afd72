package page

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// newStore is a store with n invented rises.
func newStore(t testing.TB, n, samples int) (*history.Store, []int64) {
	t.Helper()
	ctx := context.Background()
	s, err := history.Open(ctx, filepath.Join(t.TempDir(), "tidemark.db"), history.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close(ctx)) })
	return s, fill(t, s, n, samples)
}

// withPast is a server with past rises.
func withPast(t testing.TB, n int) (*web.Server, *history.Store, []int64) {
	s, k := idle(t, nil)
	return s, k.store, fill(t, k.store, n, 240)
}

func TestThePastSaysWhatWasLearnedAndForgetsIt(t *testing.T) {
	t.Parallel()
	s, store, _ := withPast(t, 3)
	assert.NotContains(t, do(s, request("GET", "/rises", nil)).Body.String(), "has learned from")
	require.NoError(t, store.Settings().Set(t.Context(), "learned/tub/1", []byte("{}")))
	body := do(s, request("GET", "/rises", nil)).Body.String()
	assert.Contains(t, body, "has learned from")
	assert.Contains(t, body, "tub: 1 rise.")
	w := do(s, request("POST", "/rises/unlearn", url.Values{"vessel": {"tub"}}))
	assert.Equal(t, 303, w.Code)
	assert.NotContains(t, do(s, request("GET", "/rises", nil)).Body.String(), "has learned from")
}

// TestCSVAgreesWithThePage: the last level on the curve's read-out and in the
// figures is the CSV's, rounded.
func TestCSVAgreesWithThePage(t *testing.T) {
	t.Parallel()
	s, _, ids := withPast(t, 3)
	w := do(s, request("GET", fmt.Sprintf("/api/v1/rises/%d/samples.csv", ids[0]), nil))
	require.Equal(t, 200, w.Code)
	lines, err := csv.NewReader(w.Body).ReadAll()
	require.NoError(t, err)
	assert.Equal(t, strings.Split("time,distance_mm,dough_c,air_c,event,rise_percent,rise_sd,equivalent_hours,rejected", ","), lines[0])
	require.Len(t, lines, 242, "the head, 240 samples, and a fold between two of them")
	page := do(s, request("GET", fmt.Sprintf("/rises/%d", ids[0]), nil)).Body.String()
	_, rest, _ := strings.Cut(page, `data-points="`)
	points, _, _ := strings.Cut(rest, `"`)
	at := map[string]string{}
	for _, p := range strings.Split(points, ";") {
		f := strings.Split(p, ",")
		at[f[3]] = f[1]
	}
	seen := 0
	for _, l := range lines[1:] {
		clock := l[0][11:16]
		if want, ok := at[clock]; ok && l[8] == "" && l[5] != "" {
			var v float64
			_, err := fmt.Sscan(l[5], &v)
			require.NoError(t, err)
			got := strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0")
			assert.Equal(t, want, got, clock)
			seen++
		}
	}
	assert.Greater(t, seen, 200)
}

// picture is an invented photo with a block of Exif data that names a place.
func picture(t testing.TB, w, h int, orientation byte) []byte {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range img.Pix {
		img.Pix[i] = byte(i * 7)
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, nil))
	exif := append([]byte("Exif\x00\x00MM\x00\x2a\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00"), orientation, 0, 0)
	exif = append(exif, []byte("GPS 48.2082 16.3738 invented")...)
	seg := append([]byte{0xff, 0xe1, byte((len(exif) + 2) >> 8), byte(len(exif) + 2)}, exif...)
	return append(append(b.Bytes()[:2:2], seg...), b.Bytes()[2:]...)
}

func TestPhotoIsCleaned(t *testing.T) {
	t.Parallel()
	s, store, ids := withPast(t, 1)
	b := newBrowser(t, s)
	path := fmt.Sprintf("/rises/%d/photos", ids[0])
	sent := picture(t, 3000, 1000, 6)
	require.Contains(t, string(sent), "GPS 48.2082")
	w := b.sendFile(path, "photo", "loaf.jpg", sent, nil)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	photos, err := store.Photos(context.Background(), ids[0])
	require.NoError(t, err)
	require.Len(t, photos, 1)
	w = b.get(fmt.Sprintf("/api/v1/photos/%d", photos[0].ID))
	assert.Equal(t, "image/jpeg", w.Header().Get("Content-Type"))
	assert.NotContains(t, w.Body.String(), "GPS")
	assert.NotContains(t, w.Body.String(), "Exif")
	img, err := jpeg.Decode(w.Body)
	require.NoError(t, err)
	assert.Equal(t, image.Rect(0, 0, 533, 1600), img.Bounds(), "turned upright and made smaller")
	w = b.post(fmt.Sprintf("%s/%d/delete", path, photos[0].ID), url.Values{})
	assert.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, 404, b.get(fmt.Sprintf("/api/v1/photos/%d", photos[0].ID)).Code)
}

// bomb is a PNG that claims a huge picture in a small file.
func bomb(t *testing.T) []byte {
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, image.NewGray(image.Rect(0, 0, 8, 8))))
	out := b.Bytes()
	copy(out[16:], []byte{0, 0, 0xff, 0xff, 0, 0, 0xff, 0xff}) // width and height of the header
	return out
}

func TestPhotosThatAreRefused(t *testing.T) {
	t.Parallel()
	s, store, ids := withPast(t, 1)
	b := newBrowser(t, s)
	path := fmt.Sprintf("/rises/%d/photos", ids[0])
	for name, body := range map[string][]byte{
		"a page":          []byte("<html><script>alert(1)</script></html>"),
		"an SVG":          []byte(`<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`),
		"nothing":         {},
		"a bomb":          bomb(t),
		"half a picture":  picture(t, 400, 400, 1)[:2000],
		"a GIF":           []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"),
		"an archive":      []byte("PK\x03\x04 and more"),
		"far too much":    bytes.Repeat([]byte{0xff, 0xd8, 0xff, 0xe0}, 4<<20),
		"a broken header": []byte("\xff\xd8\xff\xe0\x00"),
	} {
		w := b.sendFile(path, "photo", "x.jpg", body, nil)
		assert.Equal(t, http.StatusConflict, w.Code, name)
		assert.Contains(t, w.Body.String(), "Not done", name)
	}
	photos, err := store.Photos(context.Background(), ids[0])
	require.NoError(t, err)
	assert.Empty(t, photos)
}

func TestBackupIsWhole(t *testing.T) {
	t.Parallel()
	s, _, _ := withPast(t, 3)
	w := do(s, request("GET", "/api/v1/backup", nil))
	require.Equal(t, 200, w.Code)
	assert.True(t, bytes.HasPrefix(w.Body.Bytes(), []byte("SQLite format 3\x00")))
	file := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, os.WriteFile(file, w.Body.Bytes(), 0o600))
	sum, err := history.Check(context.Background(), file)
	require.NoError(t, err)
	assert.EqualValues(t, 3, sum.Rises)
}

// cpu is the time this process has had a processor, which a busy machine does
// not blur.
func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkPast measures the pages of the past over a year of rises, with the
// figures of one rise of 10 s samples.
func BenchmarkPast(b *testing.B) {
	s, k := idle(b, nil)
	ids := fill(b, k.store, 365, 2880)
	compare := "/compare?by=equivalent"
	for _, id := range ids[:20] {
		compare += fmt.Sprintf("&id=%d", id)
	}
	for name, path := range map[string]string{"now": "/", "vessels": "/api/v1/vessels", "list": "/rises", "one": fmt.Sprintf("/rises/%d", ids[100]), "overlay20": compare} {
		b.Run(name, func(b *testing.B) {
			before := cpu(b)
			for b.Loop() {
				w := do(s, request("GET", path, nil))
				require.Equal(b, 200, w.Code)
			}
			b.ReportMetric((cpu(b)-before).Seconds()*1000/float64(b.N), "cpu-ms/op")
		})
	}
}

// TestThePastTellsWhatWasForecast: what was said hours before stands beside what was.
func TestThePastTellsWhatWasForecast(t *testing.T) {
	t.Parallel()
	s, store, ids := withPast(t, 1)
	r, err := store.Rise(t.Context(), ids[0])
	require.NoError(t, err)
	r.ReachedAt = r.StartedAt.Add(6 * time.Hour)
	require.NoError(t, store.UpdateRise(t.Context(), r))
	at := r.ReachedAt.Add(-2*time.Hour - 5*time.Minute)
	require.NoError(t, store.AppendForecast(history.Forecast{RiseID: r.ID, At: at, Ready: estimator.Window{From: r.ReachedAt.Add(-40 * time.Minute),
		Median: r.ReachedAt.Add(-15 * time.Minute), Until: r.ReachedAt.Add(20 * time.Minute)}}))
	page := strings.ReplaceAll(do(s, request("GET", fmt.Sprintf("/rises/%d", r.ID), nil)).Body.String(), "\u00a0", " ")
	assert.Contains(t, page, "At 15:55 it said 17:45 (between 17:20 and 18:20), it was 18:00.")
}

// TestKeptPagesFollow: what is kept of the past to answer quickly follows every
// change at once: a judgement, an act and another rise.
func TestKeptPagesFollow(t *testing.T) {
	t.Parallel()
	s, store, ids := withPast(t, 24)
	b := newBrowser(t, s)
	common := func() string {
		_, rest, ok := strings.Cut(b.get("/rises").Body.String(), "What differed between judged loaves</h2>")
		require.True(t, ok)
		return rest
	}
	before := common()
	assert.Equal(t, before, common())
	for _, id := range ids {
		require.Equal(t, 303, b.post(fmt.Sprintf("/rises/%d/judgement", id), url.Values{"outcome": {"under"}}).Code)
	}
	assert.NotContains(t, b.get("/rises").Body.String(), "What differed", "all the same: nothing differs")

	path := fmt.Sprintf("/rises/%d", ids[0])
	chart := func() string {
		_, rest, ok := strings.Cut(b.get(path).Body.String(), `<figure id="r-chart"`)
		require.True(t, ok)
		svg, _, _ := strings.Cut(rest, "</figure>")
		return svg
	}
	drawn := chart()
	assert.Equal(t, drawn, chart())
	r, err := store.Rise(context.Background(), ids[0])
	require.NoError(t, err)
	_, err = store.AddEvent(context.Background(), bake.Event{RiseID: ids[0], At: r.StartedAt.Add(2 * 3600e9), Kind: "fridge", By: "page"})
	require.NoError(t, err)
	assert.Contains(t, chart(), "fridge")
	for _, id := range ids[1:] { // more than are kept
		b.get(fmt.Sprintf("/rises/%d", id))
	}
	assert.Contains(t, chart(), "fridge")
}
