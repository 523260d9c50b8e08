// The page: which clip, where in it, how it plays.
import {json} from "./ask.js"
import {Before} from "./before.js"
import {Feed} from "./feed.js"
import {Sound} from "./sound.js"
import {Timeline} from "./timeline.js"
import {Wiring} from "./wiring.js"
import {count, size, time, trimmed} from "./words.js"

const $ = id => document.getElementById(id)
const pen = $("picture").getContext("2d", {colorSpace: "srgb", willReadFrequently: true})
const sound = new Sound()
const timeline = new Timeline($("bars"), $("here"))

let clips = [] // as listed
let player = null
let number = 0 // of the clip shown
let facts = null // its facts; null where it cannot be read
let beats = null // its beats, once known
let feed = null
let loading = new AbortController() // what is asked of this clip
let length = 1 // seconds of a beat
let wanted = 0 // the beat that is to be seen
let drawn = null // the entry of the feed that is
let playing = null // {zero, speed, audio}: the clock's time of beat 0
let late = new Map(), gaps = new Map() // beats -> seconds, with the chosen wiring
let every = 1 // of how many pictures one is shown, with it
let ahead = null // bytes read ahead at each beat, with it
let flashes = new Map() // beats where flashing begins that may harm people
let damaged = new Map() // beat -> why
let volume = 40
let before = null // where a source was given

const wiring = new Wiring(verdict => {
	late = new Map(verdict?.late.map(l => [l.beat, l.s]))
	gaps = new Map(verdict?.gaps.map(l => [l.beat, l.s]))
	timeline.late = late
	timeline.gaps = gaps
	timeline.ahead = ahead = verdict?.ahead ?? null
	every = verdict?.every ?? 1
	timeline.draw()
	summary()
	$("stutter").disabled = late.size + gaps.size === 0 && every === 1
	tell()
	if (playing) restart()
})

// --- the clip

async function choose(n) {
	pause()
	number = n
	loading.abort()
	loading = new AbortController()
	feed?.close()
	feed = drawn = beats = null
	damaged = new Map()
	wiring.clear()
	const clip = clips[n]
	facts = clip.facts
	$("clip").value = n
	$("previous-clip").disabled = n === 0
	$("next-clip").disabled = n === clips.length - 1
	$("previous-shelf").disabled = shelf(-1) < 0
	$("next-shelf").disabled = shelf(1) < 0
	document.title = `${clip.name} · Stampreel preview`
	$("trouble").hidden = $("caution").hidden = true
	for (const id of ["play", "back", "on", "position"]) $(id).disabled = !facts
	timeline.beats = null
	$("facts").textContent = $("beat").textContent = $("summary").textContent = ""
	pen.clearRect(0, 0, pen.canvas.width, pen.canvas.height)
	delete pen.canvas.dataset.beat
	if (!facts) {
		trouble(clip.error)
		return
	}
	length = facts.rate_den / facts.rate_num
	pen.canvas.width = facts.width
	pen.canvas.height = facts.height
	for (const panel of document.querySelectorAll(".panel")) panel.classList.toggle("round", player.shape === "round")
	$("position").max = facts.beats - 1
	$("loop").checked = facts.loops
	$("volume").disabled = !facts.channels
	zooms()
	describe()
	if (facts.flashes) {
		$("caution").hidden = false
		$("caution").textContent = `Caution: ${facts.flashes}. Flashing pictures can bring on seizures.`
	}
	timeline.flashes = flashes = new Map(facts.flashes_from_s.map(s => [Math.min(facts.beats - 1, Math.floor(s / length)), s]))
	const path = `clips/${n}`, {signal} = loading
	feed = new Feed(path, facts, arrived)
	before?.load(path, facts, signal)
	seek(0)
	try {
		const all = await json(path, signal)
		beats = timeline.beats = all
		for (const d of all.damaged) damaged.set(d.beat, d.error)
		timeline.damaged = damaged
		timeline.draw()
		timeline.point(wanted)
		summary()
		tell()
		await wiring.load(path, signal)
	} catch (e) {
		if (e.name !== "AbortError") trouble(e.message)
	}
}

function describe() {
	const f = facts, rate = trimmed(f.rate_num / f.rate_den, 3)
	let text = `${f.width}×${f.height} ${f.pixel_format}, ${rate} ${rate === "1" ? "picture" : "pictures"} a second, ${time(f.beats * length)}, ${size(f.bytes)}`
	text += f.channels ? `, sound ${f.sound_coding} ${f.channels === 2 ? "stereo" : "mono"} at ${trimmed(f.sample_rate_num / f.sample_rate_den, 2)} Hz` : ", no sound"
	if (f.loops) text += ", loops"
	if (f.continues) text += ", another part follows"
	$("facts").textContent = text
}

function summary() {
	if (!beats) return
	const parts = [`largest beat ${size(beats.bytes.reduce((a, b) => Math.max(a, b), 0))}`]
	parts.push(late.size ? count(late.size, "picture late", "pictures late") : "no picture late")
	if (facts.channels) parts.push(gaps.size ? count(gaps.size, "gap in the sound", "gaps in the sound") : "no gap in the sound")
	if (damaged.size) parts.push(`damaged: beat ${[...damaged.keys()].sort((a, b) => a - b).slice(0, 8).map(b => facts.first_beat + b).join(", ")}${damaged.size > 8 ? " and more" : ""}`)
	$("summary").textContent = parts.join("; ")
	$("next-late").disabled = late.size + gaps.size + damaged.size === 0
}

function trouble(text) {
	$("trouble").hidden = !text
	$("trouble").textContent = text ?? ""
}

// shelf is the first clip of the shelf before or after the one in view, −1 for none.
function shelf(step) {
	const starts = clips.flatMap((c, i) => i === 0 || c.shelf !== clips[i - 1].shelf ? [i] : [])
	const here = starts.findLastIndex(i => i <= number)
	return starts[here + step] ?? -1
}

function chooseShelf(step) {
	const to = shelf(step)
	if (to >= 0) choose(to)
}

// --- what is seen

// stuttering says whether what comes late is played late.
const stuttering = () => $("stutter").checked && late.size + gaps.size > 0

// A wiring that shows every second picture leaves the others out.
const left = () => $("stutter").checked ? every : 1

// visible is the beat whose picture the panel shows at a time, in beats.
function visible(at) {
	let b = Math.min(Math.floor(at + 1e-6), facts.beats - 1)
	if (!playing) return Math.max(0, b)
	b -= b % left()
	if (stuttering()) while (b > 0 && late.has(b) && b * length + late.get(b) > at * length) b -= left()
	return Math.max(0, b)
}

function seek(beat) {
	wanted = Math.max(0, Math.min(facts.beats - 1, beat))
	if (playing) restart()
	else look()
}

// look shows the wanted beat, or the last one that came until it comes.
function look() {
	const entry = feed.at(wanted)
	if (entry && entry !== drawn) {
		drawn = entry
		if (entry.image) pen.putImageData(entry.image, 0, 0)
		if (entry.trouble && !damaged.has(wanted)) {
			damaged.set(wanted, entry.trouble)
			timeline.draw()
			summary()
		}
	}
	if (entry) {
		pen.canvas.dataset.beat = wanted
		before?.show(wanted, entry.image)
		trouble(entry.trouble ? `Beat ${facts.first_beat + wanted} cannot be shown: ${entry.trouble}` : null)
	}
	timeline.point(wanted)
	if ($("position").valueAsNumber !== wanted) $("position").value = wanted
	tell()
}

function arrived() {
	if (!feed) return
	if (pen.canvas.dataset.beat !== String(wanted) || !drawn) look()
	for (const [beat, entry] of feed.held) if (entry.trouble && !damaged.has(beat)) {
		damaged.set(beat, entry.trouble)
		timeline.draw()
		summary()
	}
}

// tell says what is known of the beat in view, or of the one under the pointer.
let pointed = -1
function tell() {
	if (!facts) return
	const b = pointed >= 0 ? pointed : wanted
	const parts = [`Beat ${facts.first_beat + b}`, time(b * length)]
	if (beats && beats.bytes[b]) {
		parts.push(beats.codings[beats.coding[b]] + (beats.key[b] ? ", key" : ""), `${size(beats.bytes[b])}: picture ${size(beats.frame_bytes[b])}, sound ${size(beats.sound_bytes[b])}`)
	}
	if (ahead) parts.push(`${size(ahead[b])} read ahead`)
	if (late.has(b)) parts.push(`picture ${trimmed(1000 * late.get(b), 1)} ms late`)
	if (b % every) parts.push("picture left out")
	if (gaps.has(b)) parts.push(`sound ${trimmed(1000 * gaps.get(b), 1)} ms late`)
	if (flashes.has(b)) parts.push("flashing begins")
	if (before?.tell(b)) parts.push(before.tell(b))
	if (damaged.has(b)) parts.push("damaged")
	$("beat").textContent = parts.join(" · ")
	$("position").setAttribute("aria-valuetext", `${parts[0]}, ${parts[1]}`)
}

// --- playing

const now = () => playing?.audio ? sound.context.currentTime : performance.now() / 1000

async function play() {
	if (playing || !facts) return
	if (wanted === facts.beats - 1) wanted = 0
	const audible = facts.channels && volume > 0 && $("speed").value === "1"
	playing = {speed: Number($("speed").value), audio: false, zero: 0}
	const mine = playing
	$("play").textContent = "Pause"
	if (audible) {
		// A browser without a loudspeaker may never start: pictures play all the same.
		const opened = sound.open(facts).then(() => true, () => false)
		mine.audio = await Promise.race([opened, new Promise(done => setTimeout(done, 500, false))])
		if (playing !== mine) return
	}
	const delay = mine.audio ? 0.1 : 0
	mine.zero = now() + delay - wanted * length / mine.speed
	if (mine.audio) {
		mine.zero = sound.whole(mine.zero)
		sound.start(`clips/${number}`, facts, wanted, mine.zero, stuttering() ? gaps : null)
	}
	requestAnimationFrame(tick)
}

function pause() {
	if (!playing) return
	playing = null
	sound.stop()
	$("play").textContent = "Play"
}

function restart() {
	pause()
	play()
}

function tick() {
	if (!playing || !feed) return
	const at = (now() - playing.zero) * playing.speed / length
	if (at >= facts.beats) {
		if ($("loop").checked) {
			wanted = 0
			restart()
			return
		}
		pause()
		wanted = facts.beats - 1
		look()
		return
	}
	const b = visible(Math.max(at, 0))
	if (b !== wanted || !drawn) {
		wanted = b
		look()
	}
	requestAnimationFrame(tick)
}

// --- zoom: whole screen pixels for each pixel of the panel, or the panel's own size

let zoomed = false // by hand

const own = "own" // size

function zooms() {
	zoomed = false
	const most = Math.max(1, Math.min(16, Math.floor(2048 / Math.max(facts.width, facts.height))))
	// Two pictures stand side by side, or where there is no room for that one above the other.
	const room = ($("desk").clientWidth - 48) * devicePixelRatio, two = !$("other-side").hidden
	const half = room / 2 - 16 * devicePixelRatio, side = two && half >= facts.width ? half : room
	const fits = Math.max(1, Math.min(most, Math.floor(Math.min(side / facts.width, 560 * devicePixelRatio / facts.height))))
	$("zoom").replaceChildren(...Array.from({length: most}, (_, i) => new Option(`${i + 1}×`, i + 1, false, i + 1 === fits)))
	if (player.width_m) $("zoom").append(new Option("own size", own))
	zoom()
}

function zoom() {
	const inOwn = $("zoom").value === own
	const z = inOwn ? player.width_m * 1000 * scale() / facts.width : Number($("zoom").value) / devicePixelRatio
	for (const panel of document.querySelectorAll(".panel")) {
		const canvas = panel.querySelector("canvas")
		canvas.style.width = `${facts.width * z}px`
		canvas.style.height = `${facts.height * z}px`
		panel.style.setProperty("--cell", `${z}px`)
		panel.classList.toggle("own", inOwn)
		panel.querySelector(".grid").hidden = !$("lines").checked || z < 3
	}
	$("scale").hidden = !inOwn
	$("scale-text").textContent = `${trimmed(1000 * player.width_m, 1)} mm wide, where the line below is 50 mm long: browsers do not know the screen. Hold a ruler to it; a bank card (85.6 mm, ISO/IEC 7810) is as long as the whole strip.`
	$("ruler").style.setProperty("--mm", `${scale()}px`)
	$("ruler-length").value = Math.round(50 * scale())
}

// scale is how many of the page's pixels are a millimetre on this screen. It is kept in a
// cookie, which unlike other places is the same whatever port the page comes from.
const scale = () => Number(document.cookie.match(/(?:^|; )stampreel-mm=(\d+(?:\.\d+)?)/)?.[1]) || 96 / 25.4

function setScale(mm) {
	document.cookie = `stampreel-mm=${mm}; path=/; max-age=31536000; samesite=strict`
	zoom()
}

function ownSize() {
	const list = $("zoom")
	if (!player.width_m) return
	if (list.value === own) {
		zooms()
		return
	}
	list.value = own
	zoomed = true
	zoom()
}

function zoomBy(step) {
	const list = $("zoom"), i = list.selectedIndex + step
	if (i < 0 || i >= list.length) return
	list.selectedIndex = i
	zoomed = true
	zoom()
}

function speedBy(step) {
	const list = $("speed"), i = list.selectedIndex + step
	if (i < 0 || i >= list.length) return
	list.selectedIndex = i
	if (playing) restart()
}

function setVolume(to) {
	const silent = volume === 0
	volume = to
	$("volume").value = to
	sound.loudness((to / 100) ** 2)
	if (playing && silent !== (to === 0)) restart()
}

function mute() {
	if (volume > 0) {
		mute.before = volume
		setVolume(0)
	} else setVolume(mute.before ?? 40)
}

function nextTrouble() {
	const all = [...late.keys(), ...gaps.keys(), ...damaged.keys()].sort((a, b) => a - b)
	if (all.length) seek(all.find(b => b > wanted) ?? all[0])
}

// --- controls

const second = () => Math.max(1, Math.round(1 / length))
const toggle = () => playing ? pause() : play()
$("play").onclick = toggle
$("back").onclick = () => { pause(); seek(wanted - 1) }
$("on").onclick = () => { pause(); seek(wanted + 1) }
$("speed").onchange = () => { if (playing) restart() }
$("volume").oninput = () => setVolume($("volume").valueAsNumber)
$("previous-shelf").onclick = () => chooseShelf(-1)
$("next-shelf").onclick = () => chooseShelf(1)
$("ruler-length").oninput = () => setScale($("ruler-length").valueAsNumber / 50)
$("zoom").onchange = () => { zoomed = true; zoom() }
$("lines").onchange = zoom
$("position").oninput = () => seek($("position").valueAsNumber)
$("next-late").onclick = nextTrouble
$("stutter").onchange = () => { if (playing) restart() }
$("clip").onchange = () => choose(Number($("clip").value))
$("previous-clip").onclick = () => { if (number > 0) choose(number - 1) }
$("next-clip").onclick = () => { if (number < clips.length - 1) choose(number + 1) }

$("line").onpointerdown = e => {
	if (!facts) return
	$("line").setPointerCapture(e.pointerId)
	seek(timeline.at(e.clientX))
}
$("line").onpointermove = e => {
	if (!facts) return
	pointed = timeline.at(e.clientX)
	if ($("line").hasPointerCapture(e.pointerId)) seek(pointed)
	tell()
}
$("line").onpointerleave = () => { pointed = -1; tell() }

const keys = {
	" ": toggle, k: toggle,
	ArrowLeft: e => { pause(); seek(wanted - (e.shiftKey ? second() : 1)) },
	ArrowRight: e => { pause(); seek(wanted + (e.shiftKey ? second() : 1)) },
	Home: () => seek(0),
	End: () => seek(facts.beats - 1),
	d: nextTrouble,
	s: () => speedBy(-1),
	f: () => speedBy(1),
	l: () => { $("loop").checked = !$("loop").checked },
	m: mute,
	"+": () => zoomBy(1), "=": () => zoomBy(1),
	"-": () => zoomBy(-1),
	g: () => { $("lines").checked = !$("lines").checked; zoom() },
	p: () => $("previous-clip").click(),
	n: () => $("next-clip").click(),
	PageUp: () => chooseShelf(-1),
	PageDown: () => chooseShelf(1),
	o: ownSize,
	w: () => wiring.focus(),
	b: () => before?.next(),
	v: () => before?.toWorst(),
}
document.addEventListener("keydown", e => {
	if (e.ctrlKey || e.altKey || e.metaKey || e.defaultPrevented) return
	// A control keeps the keys that it has a use for.
	const on = e.target.closest("input, select, button, summary")
	const letter = /^[a-z+=-]$/i.test(e.key)
	if (on?.matches("input[type=number]") || on?.matches("select") && e.key !== "Escape") return
	if (on && !letter && !(on.id === "position" && e.key === " ")) return
	const act = keys[e.key.length === 1 ? e.key.toLowerCase() : e.key]
	if (!act || !facts && !["p", "n", "pageup", "pagedown"].includes(e.key.toLowerCase())) return
	if (e.key.startsWith("Page") && $("next-shelf").hidden) return // it scrolls
	e.preventDefault()
	act(e)
})

// --- the server

const open = new EventSource("open") // as long as this is, it knows of the page
open.onerror = () => {
	open.close()
	$("notice").hidden = false
	$("notice").textContent = "The preview has ended. To see more, start it again: stampreel preview"
}

addEventListener("resize", () => { if (facts) zoomed ? zoom() : zooms() })

try {
	const list = await json("clips")
	clips = list.clips
	player = list.player
	const options = clips.map((c, i) => new Option(c.facts ? c.name : `${c.name} (cannot be read)`, i))
	const shelves = [...new Set(clips.map(c => c.shelf))]
	const shelved = shelves.length > 1
	for (const id of ["previous-shelf", "next-shelf", "shelf-keys"]) $(id).hidden = !shelved
	$("clip").replaceChildren(...shelved ? shelves.map(name => {
		const group = document.createElement("optgroup")
		group.label = name || "the card"
		group.append(...options.filter((_, i) => clips[i].shelf === name))
		return group
	}) : options)
	wiring.player = player
	if (list.before) {
		before = new Before(list.before, seek, resized => { resized && !zoomed ? zooms() : resized ? zoom() : tell() })
		$("before-keys").hidden = false
	}
	await choose(0)
} catch (e) {
	trouble(e.message)
}
