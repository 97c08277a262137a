"""What is drawn of a project: its fragments with their letters, its whole; put in, placed and taken out."""

from __future__ import annotations

from collections.abc import Callable
from weakref import ref

from rejoin.app.parts import colours
from rejoin.app.view.drawn import Drawn, draw, matrix, text_actor
from rejoin.app.view.front import Front
from rejoin.app.view.letters import LETTER, letter_places
from rejoin.app.view.widget import View
from rejoin.app.words.sentences import letter
from rejoin.core.records import FloatArray, Mesh, Project
from rejoin.core.transforms import apply


class Stage:
    """Things drawn, in step with a project: ``fragments`` by number, and the ``whole`` or None."""

    def __init__(self, view: View, front: Front) -> None:
        self.view, self.front = view, front
        self.fragments: dict[int, Drawn] = {}
        self.whole: Drawn | None = None
        self._placed: dict[int, FloatArray] = {}
        view.renderer.AddObserver("StartEvent", _letters_of(ref(self)))

    def hold(self, project: Project) -> None:
        """Draw a project; meshes that are the same objects stay where they are."""
        wanted = {i: f.mesh for i, f in enumerate(project.fragments)}
        for number, drawn in list(self.fragments.items()):
            if wanted.get(number) is not drawn.mesh:
                self._take_out(self.fragments.pop(number))
        for number, mesh in wanted.items():
            if number not in self.fragments:
                self.fragments[number] = self._put_in(mesh, number)
        if self.whole is not None and (project.whole is None or project.whole.mesh is not self.whole.mesh):
            self._take_out(self.whole)
            self.whole = None
        if project.whole is not None and self.whole is None:
            self.whole = self._put_in(project.whole.mesh, None)

    def empty(self) -> None:
        """Take all out."""
        for drawn in self.all():
            self._take_out(drawn)
        self.fragments.clear()
        self.whole = None

    def all(self) -> list[Drawn]:
        """Fragments and whole."""
        return [*self.fragments.values(), *([self.whole] if self.whole else [])]

    def ink(self, colour: str) -> None:
        """Colour the letters."""
        for drawn in self.fragments.values():
            if drawn.label is not None:
                drawn.label.GetTextProperty().SetColor(*colours.rgb01(colour))

    def place(self, poses: dict[int, FloatArray], world_from_part: FloatArray) -> None:
        """Set the fragments at these world_from_scan, the whole where the part's own frame is."""
        self._placed = poses
        for number, drawn in self.fragments.items():
            drawn.actor.SetUserMatrix(matrix(poses[number]))
        if self.whole is not None:
            self.whole.actor.SetUserMatrix(matrix(world_from_part))

    def place_letters(self) -> None:
        """Before each frame: over the fragments as the camera sees them."""
        shown = [
            (drawn.label, apply(self._placed[number], drawn.outline)) for number, drawn in self.fragments.items()
            if drawn.label is not None and drawn.outline is not None and drawn.label.GetVisibility()
        ]  # fmt: skip
        camera = self.view.renderer.GetActiveCamera()
        high = round(self.view.drawn_size()[1] / self.view.devicePixelRatioF())  # letters grow with the screen's scale
        for (label, _), place in zip(shown, letter_places(camera, high, [o for _, o in shown]), strict=True):
            label.SetPosition(*place)
        self.front.keep_in_sight()

    def _put_in(self, mesh: Mesh, number: int | None) -> Drawn:
        drawn = draw(mesh)
        if number is not None:
            drawn.colour = colours.FRAGMENTS[number % len(colours.FRAGMENTS)]
            drawn.label = text_actor(letter(number), LETTER)
            self.front.renderer.AddActor(drawn.label)
        self.view.renderer.AddActor(drawn.actor)
        return drawn

    def _take_out(self, drawn: Drawn) -> None:
        self.view.renderer.RemoveActor(drawn.actor)
        if drawn.label is not None:
            self.front.renderer.RemoveActor(drawn.label)


def _letters_of(stage: ref[Stage]) -> Callable[..., None]:
    """What the renderer does before each frame; it must not keep a closed window alive."""

    def place(*_: object) -> None:
        there = stage()
        if there is not None:
            there.place_letters()

    return place
