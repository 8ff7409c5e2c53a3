"""What an athlete is asked to agree to, each separately, in words of our own."""

from app.care.position import Choice

PURPOSES: tuple[Choice, ...] = (
    Choice(
        "measuring",
        "Photos are taken and measured",
        "Photos of me in the test position are taken and stored by this practice to measure how far I turn.",
    ),
    Choice(
        "records",
        "My answers and results are kept",
        "My answers about pain and health and my results are kept, so that later visits can be compared.",
    ),
    Choice(
        "sharing",
        "Reports may be shared",
        "A report may be given to the coach or doctor I name. Pictures in it only if I say so each time.",
    ),
)
NEEDED = frozenset({"measuring", "records"})  # without these no visit can be held
WITHDRAWING = "You can take back your consent at any time. Then nothing new is stored, and you can ask to be erased."
