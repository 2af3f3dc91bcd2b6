#!/bin/bash
# Drives the real window under a virtual display with real pointer and key events, and keeps a screenshot of every place.
#
#   bash tests/window/drive.sh PROGRAM [FOLDER FOR THE SCREENSHOTS]
#
# Needs Xvfb, xdotool, import and compare (Debian: xvfb xdotool imagemagick libgl1-mesa-dri libegl1 libgl1 libx11-xcb1 libxcursor1
# libxi6 libxkbcommon-x11-0). Ends with 0 when the window opened, every place was reached and differs from the others, and the
# program closed by itself.
set -u
program=$(realpath "$1")
shots=${2:-target/window}
mkdir -p "$shots"
shots=$(realpath "$shots")
for tool in Xvfb xdotool import compare; do
    command -v "$tool" >/dev/null || { echo "skipped: $tool is not installed"; exit 0; }
done

home=$(mktemp -d)
numbers=$(mktemp)
# Left to itself the server starts afresh whenever its last client goes, which a short question by xdotool is; a window that
# asks for the display in that moment gets no answer.
Xvfb -noreset -displayfd 3 -screen 0 1280x760x24 +extension GLX 3>"$numbers" >/dev/null 2>"$home/server" &
server=$!
window=
finish() {
    [ -n "$window" ] && kill "$window" 2>/dev/null
    kill "$server" 2>/dev/null
    rm -rf "$home" "$numbers"
}
trap finish EXIT
for _ in $(seq 100); do [ -s "$numbers" ] && break; sleep 0.1; done
export DISPLAY=:$(head -1 "$numbers")
[ "$DISPLAY" != ":" ] || { echo "Xvfb gave no display"; exit 1; }

# Without a display a sentence, not a window.
words=$(env -u DISPLAY -u WAYLAND_DISPLAY HOME="$home" "$program" 2>&1)
[ $? -eq 2 ] && [[ "$words" == *"no display"* ]] || { echo "without a display it says: $words"; exit 1; }

env -C "$home" HOME="$home" XDG_DATA_HOME="$home/share" LIBGL_ALWAYS_SOFTWARE=1 "$program" &
window=$!
id=
for _ in $(seq 200); do
    id=$(xdotool search --onlyvisible --name '^Motestick$' 2>/dev/null | head -1)
    [ -n "$id" ] && break
    kill -0 "$window" 2>/dev/null || { echo "the program ended before its window opened; the display server said: $(cat "$home/server")"; exit 1; }
    sleep 0.2
done
[ -n "$id" ] || { echo "no window came"; exit 1; }
# Without a window manager keys go nowhere until the window has the focus.
xdotool windowfocus "$id"
sleep 2
shot() { sleep 1; import -window "$id" "$shots/real_$1.png"; }
click() { xdotool mousemove --window "$id" "$1" "$2" sleep 0.2 click 1; sleep 0.5; }

shot 0_start
# The sample pictures, by the third button of the first page.
click 466 386
sleep 4
shot 1_slide
# The first picture of the strip, then nearer by the wheel and moved by the hand.
click 70 690
sleep 3
xdotool mousemove --window "$id" 400 300 sleep 0.2
for _ in 1 2 3 4 5 6; do xdotool click 4; sleep 0.1; done
xdotool mousemove --window "$id" 400 300 sleep 0.1 mousedown 1 sleep 0.1 mousemove --window "$id" 460 330 sleep 0.1 \
    mousemove --window "$id" 520 360 sleep 0.1 mouseup 1
shot 2_near
xdotool key F3; shot 3_animal
xdotool key F4; shot 4_notebook
xdotool key F5; shot 5_planner
xdotool key F1; shot 6_keys
xdotool key Escape
xdotool key F2

status=0
names=(0_start 1_slide 2_near 3_animal 4_notebook 5_planner 6_keys)
for ((i = 1; i < ${#names[@]}; i++)); do
    a=$shots/real_${names[i - 1]}.png b=$shots/real_${names[i]}.png
    different=$(compare -metric AE "$a" "$b" null: 2>&1)
    different=${different%% *}
    awk -v n="$different" 'BEGIN { exit !(n ~ /^[0-9.e+]+$/ && n + 0 > 2000) }' || { echo "${names[i - 1]} and ${names[i]} look alike ($different pixels differ)"; status=1; }
done
xdotool key ctrl+q
for _ in $(seq 50); do kill -0 "$window" 2>/dev/null || break; sleep 0.1; done
if kill -0 "$window" 2>/dev/null; then
    echo "the window did not close on Ctrl Q"
    status=1
else
    wait "$window"; ended=$?
    window=
    [ "$ended" -eq 0 ] || { echo "the program ended with $ended"; status=1; }
fi
[ "$status" -eq 0 ] && echo "the window works; screenshots in $shots"
exit "$status"
