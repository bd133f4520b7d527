package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image/png"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// walker is a page around the calibration's own, of the same site, that fills in
// its forms as a person does: it waits for the live reading, types the reference
// and presses the buttons. It then measures the page and tells.
const walker = `<!DOCTYPE html><html><body style="margin:0">
<iframe id="page" style="border:0;width:412px;height:3400px"></iframe><img src="/hold" alt="">
<script>
const page = document.getElementById("page"), told = {widths: [], steps: [], errors: []};
const form = (doc, step) => [...doc.forms].find(f => f.action.endsWith("/" + step));
const fill = (f, values) => { for (const k in values) f.elements[k].value = values[k]; f.requestSubmit(); };
const references = ["100 mA", "200 mA", "300 mA", "400 mA"];
let taken = 0, kept = false;
const done = () => fetch("/done", {method: "POST", body: JSON.stringify(told)});
const look = doc => {
	told.widths.push(doc.documentElement.scrollWidth);
	const wrong = doc.querySelector("[role=alert]");
	if (wrong) told.errors.push(wrong.textContent);
};
const settled = (doc, then) => {
	const live = doc.querySelector("iframe").contentDocument;
	if (live && live.body && live.body.textContent.includes("Settled: ")) return then(live);
	setTimeout(() => settled(doc, then), 30);
};
window.onerror = (text, file, line) => { told.errors.push(text + " in line " + line); done(); };
page.onload = () => {
	const doc = page.contentDocument;
	look(doc);
	if (kept) {
		const pictures = [...doc.images];
		told.pictures = pictures.map(i => i.naturalWidth);
		told.text = doc.body.textContent;
		return done();
	}
	if (form(doc, "start")) {
		told.steps.push("start");
		return fill(form(doc, "start"), {procedure: "clamp", who: "Em", instrument: "clamp meter", serial: "4711", limit: "1.5 % + 2 mA", room: "21 °C"});
	}
	if (taken < references.length) {
		return settled(doc, live => {
			told.steps.push(live.querySelector(".reading").textContent);
			fill(form(doc, "take"), {reference: references[taken++]});
		});
	}
	told.result = doc.body.textContent;
	told.drawn = [...doc.images].map(i => i.naturalWidth);
	if (location.search.includes("look")) return done();
	kept = true;
	form(doc, "keep").requestSubmit();
};
page.src = "/calibrate/bombarder/";
</script></body></html>`

// A real browser, as wide as a telephone, goes through a calibration of the
// current: the forms work without a script of ours, other sites' rules let them
// pass, the live reading refreshes, the pictures are drawn, nothing is wider than
// the screen. Set TIPOFF_SHOTS to a folder to keep the pictures.
func TestBrowserCalibrates(t *testing.T) {
	notShort(t)
	chromium := need(t, "chromium")
	queries := []string{"?keep"}
	if os.Getenv("TIPOFF_SHOTS") != "" {
		queries = append(queries, "?look") // stays at the result, for the picture
	}
	for _, query := range queries {
		t.Run(query[1:], func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "certificates")
			shot := filepath.Join(t.TempDir(), "calibrate-phone.png")
			if keep := os.Getenv("TIPOFF_SHOTS"); keep != "" {
				shot = filepath.Join(keep, "calibrate-phone-"+query[1:]+".png")
			}
			var told struct {
				Widths, Drawn, Pictures []int
				Steps, Errors           []string
				Result, Text            string
			}
			guidePages(t, "bombarder", dir, func(g *guide) {
				answer, finished := make(chan []byte, 1), make(chan struct{})
				g.mux.HandleFunc("GET /walk", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, walker) })
				g.mux.HandleFunc("POST /done", func(_ http.ResponseWriter, r *http.Request) {
					var b bytes.Buffer
					_, _ = b.ReadFrom(r.Body)
					select {
					case answer <- b.Bytes():
						close(finished)
					default:
					}
				})
				// The browser takes its picture when all has been loaded; this holds it.
				g.mux.HandleFunc("GET /hold", func(_ http.ResponseWriter, r *http.Request) {
					select {
					case <-finished:
					case <-r.Context().Done():
					}
				})
				ctx, cancel := context.WithTimeout(context.Background(), patience)
				defer cancel()
				ended := make(chan error, 1)
				go func() {
					out, err := exec.CommandContext(ctx, chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
						"--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
						"--user-data-dir="+t.TempDir(), "--window-size=412,3400", "--screenshot="+shot,
						strings.TrimSuffix(g.root, "calibrate/")+"walk"+query).CombinedOutput()
					if err != nil {
						err = fmt.Errorf("%w\n%s", err, out)
					}
					ended <- err
				}()
				g.rehearse.set("clamp")
				for taken, running := 0, true; running; {
					g.pass(500 * time.Millisecond)
					if n := max(0, g.points()); n > taken && n < 4 {
						taken = n
						g.rehearse.set("clamp")
					}
					select {
					case err := <-ended:
						running = false
						if err != nil {
							t.Error(err)
						}
					case <-time.After(10 * time.Millisecond): // a browser lives in real time
					}
				}
				select {
				case text := <-answer:
					if err := json.Unmarshal(text, &told); err != nil {
						t.Error(err)
					}
				default:
					t.Error("the browser did not come to the end")
				}
				if query == "?keep" {
					about(t, "ratio", g.kept(false).Fit.C[1], 1/rehearsedRatio, 0.005)
				}
			})
			if len(told.Widths) < 5 {
				t.Errorf("%d pages were seen", len(told.Widths))
			}
			for _, w := range told.Widths {
				if w > 412 {
					t.Errorf("a page is %d px wide on a screen of 412", w)
				}
			}
			if len(told.Errors) > 0 {
				t.Errorf("the pages say that something is wrong: %q", told.Errors)
			}
			if got := strings.Join(told.Steps, "; "); !regexp.MustCompile(`^start; (97\.9|98\.0).* mA.*; 196\.\d mA.*; 294\.\d mA.*; 39[12]\.\d mA`).MatchString(got) {
				t.Errorf("steps: %s", got)
			}
			for _, want := range []string{"fit: corrected = 1.02", "residual: ", "first certificate", "clamp meter 300 mA"} {
				if !strings.Contains(told.Result, want) {
					t.Errorf("the result lacks %q:\n%s", want, told.Result)
				}
			}
			pictures := told.Drawn
			if query == "?keep" {
				pictures = told.Pictures
				if !strings.Contains(told.Text, "Last certificate, 2026-11-25") {
					t.Errorf("after keeping:\n%s", told.Text)
				}
			}
			if len(pictures) != 1 || pictures[0] < 300 {
				t.Errorf("pictures %v px wide", pictures)
			}
			data, err := os.ReadFile(shot)
			if err != nil {
				t.Fatal(err)
			}
			if img, err := png.Decode(bytes.NewReader(data)); err != nil || img.Bounds().Dx() < 412 {
				t.Errorf("picture of the page: %v", err)
			}
		})
	}
}
