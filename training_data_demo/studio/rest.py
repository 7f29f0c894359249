"""How a rigid thing comes to rest: on one facet of its convex hull, then on what lies beneath it.

No simulation: a thing on level ground rests on the hull facet below its middle; on uneven ground it rests on
the plane that touches three points and has the middle between them, which is a facet of the upper hull of the
gaps' heights.
"""

import bmesh
import numpy as np

_DIRECTIONS = np.random.default_rng(5).normal(size=(500, 3))


def extreme_points(points) -> np.ndarray:
    """Those of the points, shape (N, 3), that stand out in one of 500 directions: near enough to the hull's
    corners.
    """
    return points[np.unique(np.argmax(points @ _DIRECTIONS.T, axis=0))]


def hull_facets(points) -> tuple[np.ndarray, np.ndarray]:
    """Convex hull as triangles.

    Returns
    -------
    corners : ndarray, shape (n_facets, 3, 3)
    normals : ndarray, shape (n_facets, 3)
        Outward.
    """
    mesh = bmesh.new()
    for point in points:
        mesh.verts.new(point)
    bmesh.ops.convex_hull(mesh, input=mesh.verts)
    bmesh.ops.triangulate(mesh, faces=mesh.faces)
    corners = np.array([[v.co for v in face.verts] for face in mesh.faces if len(face.verts) == 3])
    mesh.free()
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    outward = np.einsum("ij,ij->i", normals, corners[:, 0] - points.mean(0))
    return corners, normals * np.where(outward < 0, -1, 1)[:, None]


def pierced_facet(corners, normals, middle, sign: float) -> np.ndarray | None:
    """Normal of the facet straight above (sign +1) or below (sign -1) a point; None if there is none."""
    best, found = -1e-3, None
    for triangle, normal in zip(corners, normals, strict=True):
        if normal[2] * sign <= 1e-6:
            continue
        a, b, c = triangle[:, :2] - middle[:2]
        turns = np.array([p[0] * q[1] - p[1] * q[0] for p, q in ((a, b), (b, c), (c, a))])
        area = turns.sum()
        if abs(area) < 1e-12:
            continue
        inside = float((turns / area).min())  # smallest barycentric coordinate: 0 or more inside
        if inside > best:
            best, found = inside, normal
    return found


def rotation_between(start, end) -> np.ndarray:
    """The shortest rotation, a (3, 3) matrix, that turns one unit vector onto another."""
    axis = np.cross(start, end)
    cosine = float(np.dot(start, end))
    if cosine < -0.999999:
        return np.diag([1.0, -1.0, -1.0])
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.eye(3) + k + k @ k / (1 + cosine)


def resting_turn(points) -> np.ndarray:
    """Rotation that sets a thing, points around its middle at the origin, onto the facet below it."""
    corners, normals = hull_facets(extreme_points(points))
    below = pierced_facet(corners, normals, np.zeros(3), -1.0)
    return np.eye(3) if below is None else rotation_between(below, np.array([0.0, 0.0, -1.0]))


def underside(points, x, y) -> tuple[np.ndarray, np.ndarray]:
    """Height of a hull's lower surface over positions x, y, shape (N,), and which of them lie under it at
    all.
    """
    corners, normals = hull_facets(extreme_points(points))
    low, side = normals[:, 2] < -1e-4, np.abs(normals[:, 2]) < 0.999
    height = np.full(len(x), -np.inf)
    for triangle, normal in zip(corners[low], normals[low], strict=True):
        p = triangle[0]
        height = np.maximum(height, p[2] - (normal[0] * (x - p[0]) + normal[1] * (y - p[1])) / normal[2])
    high = np.full(len(x), np.inf)
    for triangle, normal in zip(corners[normals[:, 2] > 1e-4], normals[normals[:, 2] > 1e-4], strict=True):
        p = triangle[0]
        high = np.minimum(high, p[2] - (normal[0] * (x - p[0]) + normal[1] * (y - p[1])) / normal[2])
    inside = height <= high
    for triangle, normal in zip(corners[side], normals[side], strict=True):
        if abs(normal[2]) < 1e-4:
            inside &= normal[0] * (x - triangle[0][0]) + normal[1] * (y - triangle[0][1]) <= 1e-6
    return height, inside


def supporting_plane(x, y, height, middle) -> tuple[np.ndarray, float]:
    """The plane that lies on a height field and is held up on three sides of `middle`.

    Returns
    -------
    normal : ndarray, shape (3,)
        Upward.
    level : float
        Its height at `middle`.
    """
    top = float(height.max())
    if top - float(height.min()) < 2e-5:
        return np.array([0.0, 0.0, 1.0]), top
    points = np.column_stack([x, y, height])
    span = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * 0.5 * np.ptp(points[:, :2], axis=0)
    floor = np.column_stack([points[:, :2].mean(0) + span, np.full(4, height.min() - 0.5)])
    corners, normals = hull_facets(np.concatenate([points, floor]))
    normal = pierced_facet(corners, normals, np.array([*middle, 0.0]), 1.0)
    if normal is None or normal[2] < 0.5:
        return np.array([0.0, 0.0, 1.0]), top
    gaps = height + (normal[0] * (x - middle[0]) + normal[1] * (y - middle[1])) / normal[2]
    return normal, float(gaps.max())
