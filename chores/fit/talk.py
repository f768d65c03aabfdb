"""Talk between notes, by espeak-ng: nothing in it is a note."""
import subprocess

SAID = (
    ("en", "Right, that one was too late. Again from bar twelve, and breathe earlier this time."),
    ("en+f3", "Okay. Let us try the slurs once more, slowly, and then we stop for today."),
    ("de", "Noch einmal von vorne, bitte etwas leiser."),
    ("en-us+m7", "One, two, three, four. Wait. I missed the second note, sorry."),
    ("en+f5", "Hmm, no. The low one cracked, I think the slide was late."),
)
VOICES = (
    "en", "en-us", "en-gb-scotland", "de", "fr", "es", "it", "pt", "nl", "sv", "pl", "ja", "en+f1", "en+f2", "en+f3", "en+m1",
    "en+m3", "en+m5", "en+m7", "en+croak", "en-us+f4", "en-us+m2", "fr+f2", "de+m4", "it+f1", "es+m6",
)
WORDS = (
    "Let me hear the pitch first.",
    "No, that was sharp.",
    "One two three, and",
    "Try it again, softer this time, with more air.",
    "Ah, the third partial.",
    "Good. Next, the high register, slowly.",
    "Where was I? Bar nine.",
    "Yes, much better, that one spoke.",
)


def say(path, voice, text, pitch=50, words_per_minute=175):
    """Writes what a voice says as WAV."""
    how = ["-v", voice, "-p", str(pitch), "-s", str(words_per_minute)]
    subprocess.run(["espeak-ng", *how, "-w", path, text], check=True)


def chat(path, rng):
    """Three drawn sentences in a drawn voice."""
    voice, pitch, pace = str(rng.choice(VOICES)), rng.integers(20, 80), rng.integers(110, 190)
    say(path, voice, " ".join(rng.permutation(WORDS)[:3]), pitch, pace)
