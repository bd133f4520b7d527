package page

import (
	"bytes"
	"context"
	"fmt"
	"image/png"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"tipoff/logger/observation"
)

// patience is how long a browser may take. Only one that hangs does: a test must not
// fail because the machine is slow or busy.
const patience = 5 * time.Minute

// TestInBrowser has a real browser draw the bench page on a screen and on a
// telephone, and checks that something was drawn and that the script ran. Set
// TIPOFF_SHOTS to a folder to keep the pictures.
func TestInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	chromium, err := exec.LookPath("chromium")
	if err != nil && os.Getenv("TIPOFF_REQUIRE_TOOLS") != "" {
		t.Fatalf("chromium is needed: %v", err)
	}
	if err != nil {
		t.Skip("chromium is not installed")
	}
	srv := httptest.NewServer(newSite(newBench(), newArchive(t, nil), nil, fakeArtifact))
	defer srv.Close()
	keep := os.Getenv("TIPOFF_SHOTS")
	for _, c := range []struct{ name, path, size string }{
		{"bench-wide", "/", "1280,900"},
		{"bench-whole", "/", "1280,2100"},
		{"bench-phone", "/", "390,844"},
		{"bench-phone-whole", "/", "360,3600"},
		{"bench-412-whole", "/", "412,3600"},
		{"run-wide", "/runs/2026-11-25-001", "1280,900"},
	} {
		dir := t.TempDir()
		file := filepath.Join(dir, c.name+".png")
		if keep != "" {
			file = filepath.Join(keep, c.name+".png")
		}
		args := []string{"--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
			"--disable-component-update", "--disable-sync", "--hide-scrollbars", "--user-data-dir=" + dir, "--virtual-time-budget=4000",
			"--window-size=" + c.size}
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		out, err := exec.CommandContext(ctx, chromium, append(args, "--screenshot="+file, srv.URL+c.path)...).CombinedOutput()
		cancel()
		if err != nil {
			t.Fatalf("%s: %v\n%s", c.name, err, out)
		}
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		colours := map[[3]uint32]bool{}
		for y := 0; y < img.Bounds().Dy(); y += 3 {
			for x := 0; x < img.Bounds().Dx(); x += 3 {
				r, g, b, _ := img.At(x, y).RGBA()
				colours[[3]uint32{r, g, b}] = true
			}
		}
		if len(colours) < 30 {
			t.Errorf("%s: only %d colours, the page is empty", c.name, len(colours))
		}
	}
	// What the script has written into the page, as markup, and what comes of a press on a button.
	a := newArchive(t, nil)
	pressed := httptest.NewServer(pressing(newSite(newBench(), a, nil, fakeArtifact), "glow"))
	defer pressed.Close()
	dir := t.TempDir()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	dom, err := exec.CommandContext(ctx, chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
		"--disable-background-networking", "--disable-component-update", "--disable-sync", "--user-data-dir="+dir,
		"--virtual-time-budget=4000", "--dump-dom", pressed.URL+"/").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"0.940", "231", "712", "Glass will reach its ceiling", "glass ceiling in 14 s",
		"glass 91 % of the way, shells 64 ± 10 % done: the glass will be done first (glass in 11 s, shells in 38 s)",
		"Run 2026-11-25-002, tube PP-03: burnt 2:05:00 of 8 h, wanted 50 mA.", "Check the plug of the room sensor.",
		"true RMS, contactor on", "contactor on (contradicted)", "cock (contact)", ">open<", "a sample each 250.0 µs ± 1.2 µs", "It runs at 20 × real time", "at most 240 °C",
		"Written down at 11:40 of the run."} {
		if !bytes.Contains(dom, []byte(want)) {
			t.Errorf("the page in the browser does not show %q", want)
		}
	}
	if list, err := observation.Load(a.RunDir("2026-11-25-001")); err != nil || len(list) != 1 || list[0].Kind != observation.Glow || list[0].Into != 700 {
		t.Errorf("the browser pressed that the shells glow: %+v, %v", list, err)
	}
	if !regexp.MustCompile(`id="glow" hidden`).Match(dom) {
		t.Error("the button can be pressed again")
	}
}

// pressing adds to the bench page a script that presses the button id as soon as it can
// be seen.
func pressing(h http.Handler, id string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/press.js":
			w.Header().Set("Content-Type", "text/javascript")
			fmt.Fprintf(w, `const wait = setInterval(() => { const b = document.getElementById(%q); if (!b.hidden) { clearInterval(wait); b.click(); } }, 100);`, id)
		case "/":
			page := httptest.NewRecorder()
			h.ServeHTTP(page, r)
			maps.Copy(w.Header(), page.Header())
			w.Write(bytes.Replace(page.Body.Bytes(), []byte(`<script src="/bench.js">`), []byte(`<script src="/press.js"></script><script src="/bench.js">`), 1))
		default:
			h.ServeHTTP(w, r)
		}
	})
}
