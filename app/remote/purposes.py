"""What a self-screen is for: fixed words, so that no name or diagnosis can get onto a page that needs no sign-in."""

from app.care.position import Choice

PURPOSES: tuple[Choice, ...] = (
    Choice("first", "A first measurement", "before a visit"),
    Choice("retest", "A repeat measurement", "to see what has changed"),
    Choice("follow-up", "A measurement between visits", "while the drills go on"),
)
REASONS: tuple[Choice, ...] = (
    Choice("cut-off", "Part of the body is outside the picture"),
    Choice("position", "The position is not the one asked for: buttocks on the heels, forearm on the floor"),
    Choice("viewpoint", "The phone did not face the side asked for"),
    Choice("unclear", "The photo is too dark or not sharp"),
    Choice("repeat", "The photos of this side do not agree: one more helps to tell which is right"),
    Choice("foot-end", "A photo from behind your feet shows what the photos from the side leave open"),
)
