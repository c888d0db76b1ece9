"""The Blender side: builds the scene in units of 100 mm and path-traces it with Cycles on the CPU."""
import os
import tempfile

import bpy
import cv2
import numpy as np
from mathutils import Matrix, Vector

UNIT = 0.01          # Blender units per mm


def clear():
    bpy.ops.wm.read_factory_settings(use_empty=True)


def _image(sheet_or_picture, folder=[None]):
    if folder[0] is None:
        folder[0] = tempfile.TemporaryDirectory()
    picture = getattr(sheet_or_picture, "picture", sheet_or_picture)
    path = os.path.join(folder[0].name, f"{len(os.listdir(folder[0].name))}.png")
    cv2.imwrite(path, picture, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return bpy.data.images.load(path)


def material(rgb=None, sheet=None, roughness=0.9, specular=0.15, grain=0.0):
    """`specular` 0 gives a plain diffuse surface, a quarter cheaper to trace."""
    m = bpy.data.materials.new("m")
    m.use_nodes = True
    nodes, links = m.node_tree.nodes, m.node_tree.links
    shader, colour = nodes["Principled BSDF"], "Base Color"
    if specular > 0:
        shader.inputs["Roughness"].default_value = roughness
        shader.inputs["Specular IOR Level"].default_value = specular
    else:
        shader, colour = nodes.new("ShaderNodeBsdfDiffuse"), "Color"
        links.new(shader.outputs[0], nodes["Material Output"].inputs[0])
    if sheet is not None:
        tex = nodes.new("ShaderNodeTexImage")
        tex.image = _image(sheet)
        tex.interpolation = "Linear"
        tex.extension = "EXTEND"
        links.new(tex.outputs["Color"], shader.inputs[colour])
        if grain:
            bump = nodes.new("ShaderNodeBump")
            bump.inputs["Strength"].default_value = grain
            bump.inputs["Distance"].default_value = 0.004
            links.new(tex.outputs["Color"], bump.inputs["Height"])
            links.new(bump.outputs["Normal"], shader.inputs["Normal"])
    else:
        lin = [(c/255/12.92 if c <= 10 else ((c/255+0.055)/1.055)**2.4) for c in rgb]
        shader.inputs[colour].default_value = (*lin, 1)
    return m


def clear_print(picture, ink, tint=0.93, gloss=0.03):
    """Ink on a clear plate: where `picture` is white the light passes (a little of it is lost and reflected), where it is black it is ink."""
    m = bpy.data.materials.new("m")
    m.use_nodes = True
    nodes, links = m.node_tree.nodes, m.node_tree.links
    tex = nodes.new("ShaderNodeTexImage")
    tex.image = _image(picture)
    tex.image.colorspace_settings.name = "Non-Color"
    tex.extension = "EXTEND"
    through, shine, plate = (nodes.new(f"ShaderNode{k}") for k in ("BsdfTransparent", "BsdfDiffuse", "MixShader"))
    through.inputs["Color"].default_value = (tint, tint, tint, 1)
    shine.inputs["Color"].default_value = (0.9, 0.9, 0.9, 1)
    plate.inputs["Fac"].default_value = gloss
    links.new(through.outputs[0], plate.inputs[1])
    links.new(shine.outputs[0], plate.inputs[2])
    dark, both = nodes.new("ShaderNodeBsdfDiffuse"), nodes.new("ShaderNodeMixShader")
    dark.inputs["Color"].default_value = (*[(c/255)**2.2 for c in ink], 1)
    links.new(tex.outputs["Color"], both.inputs["Fac"])
    links.new(dark.outputs[0], both.inputs[1])
    links.new(plate.outputs[0], both.inputs[2])
    links.new(both.outputs[0], nodes["Material Output"].inputs[0])
    return m


def mesh(verts, faces, mat, uv=None, smooth=False):
    """verts in mm; uv: one (u, v) a vertex."""
    me = bpy.data.meshes.new("mesh")
    verts, faces = np.asarray(verts, float), np.asarray(faces, np.int32)
    k = faces.shape[1]
    me.vertices.add(len(verts))
    me.vertices.foreach_set("co", (verts*UNIT).ravel())
    me.loops.add(faces.size)
    me.loops.foreach_set("vertex_index", faces.ravel())
    me.polygons.add(len(faces))
    me.polygons.foreach_set("loop_start", np.arange(0, faces.size, k, dtype=np.int32))
    me.update(calc_edges=True)
    me.validate()
    if uv is not None:
        layer = me.uv_layers.new()
        index = np.empty(len(me.loops), np.int32)
        me.loops.foreach_get("vertex_index", index)
        layer.data.foreach_set("uv", np.asarray(uv, float)[index].ravel())
    if smooth:
        me.polygons.foreach_set("use_smooth", np.ones(len(me.polygons), bool))
    me.materials.append(mat)
    ob = bpy.data.objects.new("ob", me)
    bpy.context.collection.objects.link(ob)
    return ob


def plane(sheet, z, mat):
    x0, x1, y0, y1 = sheet.x0, sheet.x1, sheet.y0, sheet.y1
    return mesh([(x0, y0, z), (x1, y0, z), (x1, y1, z), (x0, y1, z)], [(0, 1, 2, 3)], mat, [(0, 0), (1, 0), (1, 1), (0, 1)])


def slab(x0, x1, y0, y1, z0, z1, mat, turn=0.0, bevel=0.0):
    c = np.array([(x0+x1)/2, (y0+y1)/2])
    bpy.ops.mesh.primitive_cube_add(size=1)
    ob = bpy.context.object
    ob.scale = ((x1-x0)*UNIT, (y1-y0)*UNIT, (z1-z0)*UNIT)
    ob.location = (c[0]*UNIT, c[1]*UNIT, (z0+z1)/2*UNIT)
    ob.rotation_euler = (0, 0, np.radians(turn))
    if bevel:
        bpy.ops.object.transform_apply(location=False, rotation=False, scale=True)
        mod = ob.modifiers.new("b", "BEVEL")
        mod.width, mod.segments = bevel*UNIT, 4
    ob.data.materials.append(mat)
    return ob


def _primitive(ob, mat, smooth=True):
    if smooth:
        for p in ob.data.polygons:
            p.use_smooth = True
    ob.data.materials.append(mat)
    return ob


def cylinder(x, y, z0, z1, radius, mat, bevel=1.0):
    bpy.ops.mesh.primitive_cylinder_add(vertices=96, radius=radius*UNIT, depth=(z1-z0)*UNIT, location=(x*UNIT, y*UNIT, (z0+z1)/2*UNIT))
    ob = bpy.context.object
    if bevel:
        mod = ob.modifiers.new("b", "BEVEL")
        mod.width, mod.segments, mod.limit_method = bevel*UNIT, 4, "ANGLE"
    ob.data.materials.append(mat)
    return ob


def rod(a, b, radius, mat):
    """A round bar between two points (mm)."""
    a, b = Vector(a)*UNIT, Vector(b)*UNIT
    bpy.ops.mesh.primitive_cylinder_add(vertices=24, radius=radius*UNIT, depth=(b-a).length, location=(a+b)/2)
    ob = bpy.context.object
    ob.rotation_mode = "QUATERNION"
    ob.rotation_quaternion = Vector((0, 0, 1)).rotation_difference(b-a)
    return _primitive(ob, mat)


def ball(x, y, z, radii, mat, turn=0.0):
    bpy.ops.mesh.primitive_uv_sphere_add(segments=48, ring_count=24, radius=1, location=(x*UNIT, y*UNIT, z*UNIT))
    ob = bpy.context.object
    ob.scale = tuple(r*UNIT for r in radii)
    ob.rotation_euler = (0, 0, np.radians(turn))
    return _primitive(ob, mat)


def ring(x, y, z, radius, thick, mat, stretch=1.0, turn=0.0, upright=False):
    bpy.ops.mesh.primitive_torus_add(major_radius=radius*UNIT, minor_radius=thick*UNIT, major_segments=64, minor_segments=16,
                                     location=(x*UNIT, y*UNIT, z*UNIT))
    ob = bpy.context.object
    ob.scale = (1, stretch, 1)
    ob.rotation_euler = (np.pi/2 if upright else 0, 0, np.radians(turn))
    return _primitive(ob, mat)


def area_light(at, aim, size, power, colour=(1, 1, 1), shape="RECTANGLE"):
    """`at`, `aim` in mm; `size` (w, h) mm; power relative, scaled for the unit used here."""
    data = bpy.data.lights.new("l", "AREA")
    data.shape = shape
    data.size, data.size_y = size[0]*UNIT, size[1]*UNIT
    data.energy = power
    data.color = colour
    ob = bpy.data.objects.new("l", data)
    ob.location = Vector(at)*UNIT
    ob.rotation_mode = "QUATERNION"
    ob.rotation_quaternion = (Vector(aim) - Vector(at)).to_track_quat("-Z", "Y")
    ob.visible_camera = False
    bpy.context.collection.objects.link(ob)


def ambient(strength, colour=(1, 1, 1)):
    world = bpy.data.worlds.new("w")
    world.use_nodes = True
    back = world.node_tree.nodes["Background"]
    back.inputs[0].default_value = (*colour, 1)
    back.inputs[1].default_value = strength
    bpy.context.scene.world = world


def render(camera, size, samples, seed):
    """The ideal (undistorted, centred) picture, linear float32 BGR."""
    w, h = size
    scene = bpy.context.scene
    data = bpy.data.cameras.new("c")
    data.sensor_fit = "HORIZONTAL"
    data.sensor_width = 36.0
    data.lens = camera.K[0, 0] * 36.0 / w
    data.clip_end = 1000
    ob = bpy.data.objects.new("c", data)
    turn = camera.R.T @ np.diag([1.0, -1.0, -1.0])
    m = np.eye(4)
    m[:3, :3], m[:3, 3] = turn, camera.centre*UNIT
    ob.matrix_world = Matrix(m.tolist())
    bpy.context.collection.objects.link(ob)
    scene.camera = ob
    scene.render.engine = "CYCLES"
    scene.render.resolution_x, scene.render.resolution_y, scene.render.resolution_percentage = w, h, 100
    c = scene.cycles
    c.device, c.samples, c.seed = "CPU", samples, seed
    c.use_adaptive_sampling = False
    c.use_denoising, c.denoiser = True, "OPENIMAGEDENOISE"
    c.denoising_prefilter, c.denoising_input_passes = "FAST", "RGB_ALBEDO_NORMAL"
    c.max_bounces, c.diffuse_bounces, c.glossy_bounces, c.transmission_bounces = 1, 1, 0, 0
    c.caustics_reflective = c.caustics_refractive = False
    c.filter_width = 1.5
    scene.render.use_persistent_data = False
    s = scene.render.image_settings
    s.file_format, s.color_mode, s.color_depth, s.exr_codec = "OPEN_EXR", "RGB", "32", "NONE"
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "r.exr")
        scene.render.filepath = path
        bpy.ops.render.render(write_still=True)
        return cv2.imread(path, cv2.IMREAD_UNCHANGED)[..., :3]


def hidden_points(camera, points, allowed):
    """Which mat-frame points (mm, 3-D) are covered by an object not in `allowed`, as the camera sees them."""
    bpy.context.view_layer.update()
    graph = bpy.context.evaluated_depsgraph_get()
    eye = Vector(camera.centre)*UNIT
    names = {o.name for o in allowed}
    out = np.zeros(len(points), bool)
    for i, p in enumerate(points):
        d = Vector(p)*UNIT - eye
        hit, *_, ob, _ = bpy.context.scene.ray_cast(graph, eye, d.normalized(), distance=d.length*0.9995)
        out[i] = hit and ob.name not in names
    return out
